"""`python -m phaseopt`: the command line, where its script is not on the path."""

from phaseopt.cli import app

if __name__ == "__main__":
    app(prog_name="phaseopt")
