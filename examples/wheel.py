"""What the wheel carries beside the package: the example's files, which `phaseopt.cli.example_data` gives out."""

import runpy
from pathlib import Path
from typing import Any

from hatchling.builders.hooks.plugin.interface import BuildHookInterface


class ExampleData(BuildHookInterface[Any]):
    """Puts the example into the package; an editable install finds it in the source tree instead."""

    def initialize(self, version: str, build_data: dict[str, Any]) -> None:
        """Called by the build, with `version` "editable" or "standard"."""
        if version == "editable":
            return
        data = runpy.run_path(str(Path(self.root) / "phaseopt" / "cli" / "example_data.py"))
        for name, path in data["source_files"](Path(self.root)).items():
            build_data["force_include"][str(path)] = f"phaseopt/{data['INSIDE']}/{name}"
