"""`phaseopt simulate`: torque from the engine's own dimensions."""

from pathlib import Path
from typing import Annotated

import typer

from phaseopt.cli.frame import Answer, ProjectFile, command, progress_line, project_without
from phaseopt.values.errors import InputError

Out = Annotated[Path | None, typer.Option("--out", metavar="F.nc", help="File for the grid (NetCDF).")]
Plots = Annotated[Path | None, typer.Option("--plots", metavar="DIR", help="Directory for pictures (SVG).")]
Pipes = Annotated[
    Path | None,
    typer.Option("--pipes", metavar="F.svg", help="Draw the pipes as read, to see a slip; without --out alone."),
]
Cluster = Annotated[
    str | None, typer.Option("--cluster", metavar="tcp://HOST:PORT", help="Simulate on an existing Dask cluster.")
]


@command
def simulate(
    project_file: ProjectFile, out: Out = None, plots: Plots = None, pipes: Pipes = None, cluster: Cluster = None
) -> Answer:
    """Torque by simulation of the whole engine, before any pull.

    Over speed, load and both centrelines, from the dimensions under [cycle].
    """
    from phaseopt.cycle.storage import require_replaceable_grid, write_netcdf
    from phaseopt.cycle.torque_grid import cache_path
    from phaseopt.output.directory import RECORD, record_of, require_replaceable, write_files
    from phaseopt.output.records.simulate import PipesRecord, SimulateRecord
    from phaseopt.project.load import SIMULATE_DOES_WITHOUT
    from phaseopt.report.simulation_facts import full_throttle, full_throttle_knock
    from phaseopt.report.subjects.simulate import pipes_document, simulation_document
    from phaseopt.torque_model.simulation import cached_or_simulated, described_engine
    from phaseopt.values.progress import counted, part

    if out is None and (pipes is None or plots is not None or cluster is not None):
        hint = "add --out F.nc: a file for the simulated grid; --pipes F.svg by itself draws the pipes alone"
        raise InputError.one("missing option --out", hint=hint, where="phaseopt simulate")
    project = project_without(project_file, SIMULATE_DOES_WITHOUT)
    config = described_engine(project)
    if out is not None:
        require_replaceable_grid(out, project.name)
    if plots is not None:
        require_replaceable(plots, "--plots")
    if pipes is not None:
        from phaseopt.io.atomic import write_file
        from phaseopt.report.figures.pipes import pipes_drawing

        drawing = pipes_drawing(config, project.display_units.size)
        picture = drawing.files(
            f"{project.name}: pipes as read, {project.display_units.size.name}; widths to scale, lengths not"
        )[f"{drawing.name}.svg"]
        write_file(pipes, str(picture).encode())
    if out is None:
        return Answer(
            pipes_document(project, config), lambda: PipesRecord.of(project, config), [pipes] if pipes else []
        )
    figures: dict[str, str] = {}
    with progress_line() as progress:
        share = 0.97  # the rest: knock, and pictures
        counts = counted(part(progress, 0.0, share), "simulating")
        grid = cached_or_simulated(project, config, counts, cluster)
        counts = counted(part(progress, share, 1.0), "looking for knock")
        knock = full_throttle_knock(project, config, full_throttle(project, grid), counts)
        if plots is not None:
            from phaseopt.report.figures.drawing import alone
            from phaseopt.report.figures.simulation import simulation_figures

            progress(0.99, "drawing")
            figures = alone(simulation_figures(project, config, grid))
    write_netcdf(grid, out)
    written = [out]
    if plots is not None:
        write_files(plots, {**figures, RECORD: record_of(figures)}, "--plots")
        written += [plots / name for name in sorted(figures)]
    cached = cache_path(project, config).exists()
    return Answer(
        simulation_document(project, grid, cached, knock),
        lambda: SimulateRecord.of(project, grid, cached=cached, knock=knock),
        written=[out, *(each for each in (plots, pipes) if each is not None)],
    )
