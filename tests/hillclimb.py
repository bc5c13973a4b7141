"""The hill-climb example without its simulation, which would take minutes: its pulls alone, as tests build it."""

import re
from pathlib import Path

from phaseopt.project import Project
from phaseopt.project.load import load_project

ROOT = Path(__file__).parent.parent
HILLCLIMB = ROOT / "examples" / "hillclimb" / "project.toml"


def pulls_alone() -> Project:
    """The example as it stands, but for [torque.prior]."""
    project = load_project(HILLCLIMB)
    assert project.torque is not None
    return project.model_copy(update={"torque": project.torque.model_copy(update={"prior": None})})


def pulls_alone_file(folder: Path, *changes: tuple[str, str]) -> Path:
    """The same as a project file in another folder, with texts replaced; its CSV files stay where they are."""
    text = HILLCLIMB.read_text(encoding="utf-8")
    text = re.sub(r"^\[torque\.prior\].*?(?=^\[)", "", text, flags=re.MULTILINE | re.DOTALL)
    for name in ("lobes/", "drops/", "dyno/", "after/", "../../maps/"):
        text = text.replace(f'"{name}', f'"{HILLCLIMB.parent / name}/')
    for old, new in changes:
        assert old in text, old
        text = text.replace(old, new)
    path = folder / "project.toml"
    path.write_text(text, encoding="utf-8")
    return path
