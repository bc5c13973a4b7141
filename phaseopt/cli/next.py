"""`phaseopt next`: where a project stands."""

from phaseopt.cli.frame import Answer, ProjectFile, command


@command
def next(project_file: ProjectFile) -> Answer:
    """What is still blank, and what can be done now.

    Also what to measure next, and how much more travel it would give.
    """
    from phaseopt.job.next_step import overview_of
    from phaseopt.output.records.next import NextRecord
    from phaseopt.report.subjects.next import next_document

    found = overview_of(project_file)
    return Answer(next_document(found), lambda: NextRecord.of(found))
