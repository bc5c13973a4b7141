"""`phaseopt live`: the local page for bench and dyno."""

from pathlib import Path
from typing import Annotated

import typer

from phaseopt.cli.frame import app, ending

Port = Annotated[int, typer.Option("--port", min=0, max=65535, help="Port on this computer; 0 takes a free one.")]


@app.command()
def live(
    project_file: Annotated[Path, typer.Argument(metavar="PROJECT.toml", help="The project file.", show_default=False)],
    port: Port = 8720,
) -> None:
    """A page on this computer for bench and dyno, with the same files underneath."""
    with ending():
        import uvicorn

        from phaseopt.live.server import Live

        uvicorn.run(Live(project_file).app(), host="127.0.0.1", port=port, log_level="warning")
