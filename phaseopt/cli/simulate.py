"""`phaseopt simulate`: torque from the engine's own dimensions."""

from pathlib import Path
from typing import Annotated

import typer

from phaseopt.cli.frame import Json, ProgressLine, ProjectFile, app, ending, print_json

Out = Annotated[Path, typer.Option("--out", metavar="F.nc", help="NetCDF file for the grid.")]
Plots = Annotated[Path | None, typer.Option("--plots", metavar="DIR", help="Directory for pictures (SVG).")]
Cluster = Annotated[
    str | None, typer.Option("--cluster", metavar="tcp://HOST:PORT", help="Simulate on an existing Dask cluster.")
]


@app.command()
def simulate(
    project_file: ProjectFile, out: Out, plots: Plots = None, cluster: Cluster = None, json: Json = False
) -> None:
    """Torque over speed, load and both centrelines, by simulation of the whole engine."""
    with ending():
        from phaseopt.cycle.from_project import cycle_config
        from phaseopt.cycle.storage import require_replaceable_grid, write_netcdf
        from phaseopt.cycle.torque_grid import kept_at, torque_grid
        from phaseopt.output.directory import RECORD, record_of, require_replaceable, write_files
        from phaseopt.progress import counted, part
        from phaseopt.project_file import load_project
        from phaseopt.report.simulation_text import simulation_record, simulation_summary

        project = load_project(project_file)
        config = cycle_config(project)
        require_replaceable_grid(out, project.name)
        if plots is not None:
            require_replaceable(plots, "--plots")
        progress = ProgressLine()
        figures: dict[str, str] = {}
        try:
            share = 1.0 if plots is None else 0.97
            tell = counted(part(progress, 0.0, share), "simulating")
            grid = torque_grid(project, config, progress=tell, cluster=cluster)
            if plots is not None:
                from phaseopt.report.simulation_figures import simulation_figures

                progress(share, "drawing")
                figures = simulation_figures(project, config, grid)
        finally:
            progress.close()
        write_netcdf(grid, out)
        written = [out]
        if plots is not None:
            write_files(plots, {**figures, RECORD: record_of(figures)}, "--plots")
            written += [plots / name for name in sorted(figures)]
        told = project, grid, written, kept_at(project, config).exists()
        if json:
            print_json(simulation_record(*told))
        else:
            typer.echo(simulation_summary(*told))
