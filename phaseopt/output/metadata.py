"""What each CSV means, beside it: W3C CSV on the Web metadata (Metadata Vocabulary for Tabular Data, 2015).

Units stand under `schema:unitText`, words under `dc:description`; both prefixes are predefined by that standard.
"""

import json
from collections.abc import Sequence
from typing import Any

import xarray as xr

from phaseopt.output.columns import Column
from phaseopt.table_import.meaning import NEUTRAL, meaning_words
from phaseopt.tables import corner_of, load_unit_of, number_text

_SIGN = meaning_words(NEUTRAL)


def table_metadata(name: str, table: xr.DataArray, notes: Sequence[str] = ()) -> str:
    """Metadata of a phase table: axes, unit, sign and rest position.

    Parameters: `name` of the CSV beside it; `table` with dims rpm, load; `notes` that a reader must not miss.
    """
    columns = [_column("rpm", corner_of(table), "number", "engine speed breakpoint of the row", "rpm")]
    unit = load_unit_of(table) or "(unit not stated)"
    for load in table["load"].values:
        text = number_text(load)
        meaning = f"phase at load breakpoint {text} {unit}"
        columns.append(_column(f"phase_at_load_{text}", text, "number", meaning, "degree"))
    side = str(table.name or "phase").replace("_", " ")
    words = (
        f"{side}: {_SIGN}. Rows are engine speeds (rpm), columns are loads "
        f"({'kPa manifold absolute pressure, the last one full throttle' if unit == 'kPa' else unit})."
    )
    return _document(name, side, " ".join([*notes, words]), columns, "rpm")


def records_metadata(name: str, title: str, columns: Sequence[Column], notes: Sequence[str] = ()) -> str:
    """Metadata of a CSV of records; `notes` as above."""
    found = [_column(c.name, c.name, "string" if c.is_text else "number", c.meaning, c.unit) for c in columns]
    return _document(name, title, " ".join([*notes, f"{title}. Phases are {_SIGN}."]), found)


def _column(name: str, title: str, datatype: str, meaning: str, unit: str) -> dict[str, Any]:
    column: dict[str, Any] = {"name": name, "titles": title, "datatype": datatype, "dc:description": meaning}
    return column | ({"schema:unitText": unit} if unit else {})


def _document(name: str, title: str, words: str, columns: list[dict[str, Any]], key: str | None = None) -> str:
    schema: dict[str, Any] = {"columns": columns} | ({"primaryKey": key} if key else {})
    document = {
        "@context": ["http://www.w3.org/ns/csvw", {"@language": "en"}],
        "url": name,
        "dc:title": title,
        "dc:description": words,
        "dialect": {"delimiter": ",", "header": True, "encoding": "utf-8"},
        "tableSchema": schema,
    }
    return json.dumps(document, indent=2, ensure_ascii=False) + "\n"
