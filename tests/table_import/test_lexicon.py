"""What words around numbers say, and which say nothing because a person could take them two ways (common practice)."""

import pytest

from phaseopt.table_import.lexicon import Words, statements_in


def values(text: str, about: str) -> list[str | float]:
    return [each.value for each in statements_in([Words(text, "line 1")]) if each.about == about]


@pytest.mark.parametrize(
    ("text", "degrees"),
    [
        ("Inlet advance (cam degrees)", ["cam"]), ("Inlet Cam Advance (°CAM)", ["cam"]), ("degrees (cam)", ["cam"]),
        ("advance in degrees of camshaft rotation", ["cam"]), ("VVT advance, cam-degrees", ["cam"]),
        ("degCam", ["cam"]),
        ("Phasenlage Einlass °NW", ["cam"]), ("avance, degrés AAC", ["cam"]), ("anticipo (gradi camma)", ["cam"]),
        ("grados de árbol de levas", ["cam"]), ("shinkaku [kamu kaku]", ["cam"]),
        ("Cam: intake. Unit: deg crank", ["crank"]), ("VCT1 ADV DEGCRK", ["crank"]), ("Advance (crank°)", ["crank"]),
        ("retard, degrees of crankshaft rotation", ["crank"]), ("Spätverstellung in Grad Kurbelwelle", ["crank"]),
        ("retard en degrés vilebrequin", ["crank"]), ("gradi albero motore", ["crank"]), ("° cigüeñal", ["crank"]),
        ("cam phase, crank angle", ["crank"]),
        ("Degrees Advance (Crankshaft)", ["crank"]), ("ALL ANGLES AT THE CRANK", ["crank"]),
        ("kuranku kaku", ["crank"]),
        # A camshaft, an angle, kilowatts: no unit.
        ("Intake cam angle (deg)", []), ("Camshaft position intake", []), ("Bank 1 cam, deg", []), ("deg, cam 1", []),
        ("110 kW at 6500", []), ("°CA", []), ("intake camshaft degrees advance", []), ("degrees of cam advance", []),
        ("not cam degrees", []),
        # Both: a person has to say.
        ("1 cam degree = 2 crank degrees", ["cam", "crank"]), ("x2 for crank degrees", ["cam", "crank"]),
        ("half the crank degrees", ["cam", "crank"]), ("cam degrees, divided by two", ["cam", "crank"]),
    ],
)  # fmt: skip
def test_degrees(text: str, degrees: list[str]) -> None:
    assert values(text, "degrees") == degrees


@pytest.mark.parametrize(
    ("text", "sign"),
    [
        ("Inlet advance", [1]), ("Exhaust - retard", [-1]), ("Exhaust cam retard + idle", [-1]),
        ("retard positive", [-1]),
        ("+ = advanced (earlier), - = retarded", [1]), ("+adv/-ret", [1]), ("-ve = retard", [1]),
        ("+ve = retard", [-1]),
        ("minus = advance", [-1]), ("negative retard", [1]), ("Advance (+) / Retard (-)", [1]),
        ("positive values retard", [-1]), ("früh positiv", [1]), ("spät = negativ", [1]), ("positif = avance", [1]),
        ("ritardo", [-1]), ("Retraso", [-1]), ("chikaku", [-1]), ("Einlass, - = spät", [1]),
        ("Advance/retard", []), ("Advanced settings", []), ("late model head", []), ("no retard", []),
        ("rest = 0 = fully retarded", []), ("Intake advance + exhaust retard", []),
        ("retard map", [-1]), ("+ advances / - retards", [1]), ("retard + / advance -", [-1]),
        ("advance, + = retard", [-1]),
    ],
)  # fmt: skip
def test_sign(text: str, sign: list[int]) -> None:
    assert values(text, "sign") == sign


@pytest.mark.parametrize(
    ("text", "zero"),
    [
        ("rest = 20", [20.0]), ("12,5 = rest", [12.5]), ("zero at rest", [0.0]), ("degrees from rest", [0.0]),
        ("parked at -5", [-5.0]), ("Ruhelage = 4", [4.0]), ("0 au repos", [0.0]),
        ("0 = fully retarded", ["fully retarded"]),
        ("from full advance", ["fully advanced"]),
        ("0 = middle of the travel", ["the middle of the travel"]),
        ("zero at straight up", ["not known"]), ("Intake centreline ATDC", ["centreline ATDC"]),
        ("Spreizung °KW vor OT", ["centreline BTDC"]),
        ("locked below 1200 rpm", []), ("parked at 1200 rpm", []), ("rest of the table", []), ("Locked: 1", []),
    ],
)  # fmt: skip
def test_rest(text: str, zero: list[float | str]) -> None:
    assert values(text, "zero") == zero


@pytest.mark.parametrize(
    ("text", "cam"),
    [
        ("Inlet advance", ["intake"]), ("Auslaßnockenwelle", ["exhaust"]), ("Échappement", ["exhaust"]),
        ("Intake manifold pressure", []), ("Exhaust gas temperature", []), ("intake and exhaust", []), ("cam 1", []),
    ],
)  # fmt: skip
def test_cam(text: str, cam: list[str]) -> None:
    assert values(text, "cam") == cam


@pytest.mark.parametrize(
    "text",
    [
        "Ignition advance",
        "Zündwinkel",
        "valve opening, BTDC",
        "unit 0.1 deg",
        "deg x10",
        "(crank degrees) / 10",
        "1 bit = 0.5 deg",
        "radians",
        "% of travel",
    ],
)
def test_other_quantities(text: str) -> None:
    assert values(text, "other")
