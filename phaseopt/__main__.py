"""The program: `phaseopt`, and `python -m phaseopt` where its script is not on the path.

Little is imported before `main` watches, so that an interrupt ends in one line from the start on.
"""

import io
import os
import sys
from collections.abc import Sequence


def main(arguments: Sequence[str] | None = None) -> None:
    """Run a command and exit. Output that cannot be written is one message and exit code 2, an interrupt is 130."""
    code = 0
    try:
        if sys.stdout is None:
            raise OSError("it is closed")
        _take_any_sign()
        from phaseopt.cli import app

        app(args=arguments, prog_name="phaseopt")
    except SystemExit as ended:
        code = ended.code if isinstance(ended.code, int) else 0
    except KeyboardInterrupt:
        _say("stopped; no result was written")
        code = 130
    except OSError as error:
        _let_go()
        _say(f"standard output cannot be written ({error.strerror or error}). Fix: send it to a file that has room.")
        code = 2
    try:
        if sys.stdout is not None:
            sys.stdout.flush()
    except OSError as error:
        _let_go()
        _say(f"standard output cannot be written ({error.strerror}). Fix: send it to a file that has room.")
        code = 2
    sys.exit(code)


def _take_any_sign() -> None:
    """Let signs that an output cannot show, as a pipe on Windows cannot show →, be replaced in place of ending it."""
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper) and stream.errors == "strict":
            stream.reconfigure(errors="replace")


def _let_go() -> None:
    """Lose what is still to be printed: there is no place for it, and Python would complain as it ends."""
    if sys.stdout is not None:
        os.dup2(os.open(os.devnull, os.O_WRONLY), 1)


def _say(message: str) -> None:
    if sys.stderr is not None:
        print(message, file=sys.stderr)


if __name__ == "__main__":
    main()
