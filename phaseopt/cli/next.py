"""`phaseopt next`: where a project stands."""

from phaseopt.cli.frame import Answer, ProjectFile, command


@command
def next(project_file: ProjectFile) -> Answer:
    """Where a project stands: what is still blank, what can be done now, what to measure next."""
    from phaseopt.job.next_step import overview_of
    from phaseopt.output.records.next import NextRecord
    from phaseopt.report.subjects.next import next_document

    found = overview_of(project_file)
    return Answer(next_document(found), lambda: NextRecord.of(found))
