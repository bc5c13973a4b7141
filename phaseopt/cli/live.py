"""`phaseopt live`: the local page for bench and dyno."""

from pathlib import Path
from typing import Annotated, Any

import typer
from typer.core import TyperCommand

from phaseopt.cli.frame import app, ending

_PHONE = "--phone"


class _PhoneAlone(TyperCommand):
    """Takes `--phone` without an address too: the only one of this computer."""

    def parse_args(self, ctx: Any, args: list[str]) -> list[str]:
        """Read the options."""
        for place, each in enumerate(args):
            if each == _PHONE and not any(map(_is_address, args[place + 1 : place + 2])):
                args[place] = f"{_PHONE}="
        return super().parse_args(ctx, args)


def _is_address(text: str) -> bool:
    return text != "" and all(each in "0123456789.:" for each in text)


@app.command(cls=_PhoneAlone)
def live(
    project_file: Annotated[
        Path | None,
        typer.Argument(
            metavar="[PROJECT.toml]", help="The project file. Without one, choose on the page.", show_default=False
        ),
    ] = None,
    port: Annotated[
        int, typer.Option("--port", min=0, max=65535, help="Port on this computer; 0 takes a free one.")
    ] = 8720,
    phone: Annotated[
        str | None,
        typer.Option(
            _PHONE,
            metavar="[ADDRESS]",
            help="Show the page on telephones too, at this address of this computer. They need a code, and may look.",
            show_default=False,
        ),
    ] = None,
    no_browser: Annotated[bool, typer.Option("--no-browser", help="Print the address and open no browser.")] = False,
) -> None:
    """A page on this computer for bench and dyno, over the same files."""
    with ending():
        from phaseopt.live.launch import serve

        serve(project_file or Path(), port, phone, not no_browser, typer.echo)
