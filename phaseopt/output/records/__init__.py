"""Records: what each command prints under `--json`, and what `run.json` holds, as pydantic models made from results."""
