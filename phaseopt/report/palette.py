"""One palette for pages, drawings and figures: each colour declared once, light and dark, and read from here.

A meaning is carried by a word first, a shape or pattern second and a colour third. Contrast on the ground is at least
4.5 for text and 3.0 for lines and shapes; scales fall in even steps of lightness. The tests check both, and that
colours that meet in one picture stay apart to colour-blind eyes.
"""

LIGHT: dict[str, str] = {
    "paper": "#FFFFFF", "panel": "#F3F5F7", "rule": "#C3CAD1", "edge": "#66717C", "ink": "#15202B", "soft": "#4E5963",
    "link": "#0A4F8C", "intake": "#124C8C", "exhaust": "#B54D08", "before": "#6B7682",
    "clear": "#0E7A64", "tight": "#8A5300", "hits": "#7A0C22",
    "tight-fill": "#EFB03F", "hits-fill": "#6A0B1D", "unknown-fill": "#D8DDE2",
}  # fmt: skip
DARK: dict[str, str] = {
    "paper": "#12171D", "panel": "#1B222A", "rule": "#3C4752", "edge": "#7D8995", "ink": "#EDF1F5", "soft": "#AEB9C4",
    "link": "#8CC4FF", "intake": "#A6D0FF", "exhaust": "#E8813F", "before": "#93A0AD",
    "clear": "#8FE6CC", "tight": "#FFC65C", "hits": "#FF7C8C",
    "tight-fill": "#D99A2B", "hits-fill": "#9E1830", "unknown-fill": "#2F3842",
}  # fmt: skip

# Degrees from rest: the first is the ground itself, in both tables. Text is ink on the first five, paper on the others.
INTAKE = ("#FFFFFF", "#E4EDF7", "#C5D9EE", "#9DBFE1", "#6F9FD0", "#3572B0", "#124C8C")
EXHAUST = ("#FFFFFF", "#FBEADF", "#F6D0B7", "#EDB188", "#DE8A52", "#B0541A", "#7E3606")
INTAKE_DARK = ("#12171D", "#17293D", "#1D3D60", "#265586", "#2F69A6", "#72A9E3", "#A6D0FF")
EXHAUST_DARK = ("#12171D", "#32200F", "#512F12", "#783F12", "#9C5014", "#DE8A4C", "#F7BE93")
# A tint below lines and numbers, on a light panel in both modes.
TORQUE = ("#FFFFFF", "#F1EDF7", "#E2DAEF", "#D2C6E6", "#C2B2DD", "#B19ED3")
SHADES = len(INTAKE)
_INKED = 5  # shades that take dark text in the light, light text in the dark


def style_sheet() -> str:
    """The palette as custom properties of CSS, and a class for each shade of a table.

    >>> "--ink: #15202B;" in style_sheet() and ".i6 {" in style_sheet()
    True
    """
    dark = _properties(DARK) + _shades(INTAKE_DARK, "i") + _shades(EXHAUST_DARK, "e")
    light = _properties(LIGHT) + _shades(INTAKE, "i") + _shades(EXHAUST, "e")
    tints = " ".join(f"--t{n}: {colour};" for n, colour in enumerate(TORQUE))
    classes = [
        f".{kind}{n} {{ background: var(--{kind}{n}); color: var(--{kind}{n}-text); }}"
        for kind in "ie"
        for n in range(SHADES)
    ]
    classes += [f".t{n} {{ background: {colour}; color: {LIGHT['ink']}; }}" for n, colour in enumerate(TORQUE)]
    screen = "@media screen and (prefers-color-scheme: dark)"
    return "\n".join([f":root {{ {light}{tints} }}", f"{screen} {{ :root {{ {dark}}} }}", *classes])


def _properties(colours: dict[str, str]) -> str:
    return "".join(f"--{name}: {colour}; " for name, colour in colours.items())


def _shades(colours: tuple[str, ...], kind: str) -> str:
    dark = colours[0] != INTAKE[0]
    text, other = (DARK["ink"], DARK["paper"]) if dark else (LIGHT["ink"], LIGHT["paper"])
    return "".join(
        f"--{kind}{n}: {colour}; --{kind}{n}-text: {text if n < _INKED else other}; "
        for n, colour in enumerate(colours)
    )


def shade_of(degrees: float, most: float) -> int:
    """Which shade a phase gets: 0 at rest alone, the last at the furthest of its table.

    >>> [shade_of(degrees, 21.0) for degrees in (0.0, -0.0, 1.0, 12.0, -21.0)]
    [0, 0, 1, 4, 6]
    """
    if degrees == 0 or most <= 0:
        return 0
    return min(SHADES - 1, 1 + int((SHADES - 1) * min(abs(degrees) / most, 1.0) - 1e-9))


def tint_of(value: float, low: float, high: float) -> int:
    """Which tint a value between two others gets.

    >>> tint_of(1.0, 1.0, 2.0), tint_of(2.0, 1.0, 2.0), tint_of(1.0, 1.0, 1.0)
    (0, 5, 0)
    """
    return 0 if high <= low else min(len(TORQUE) - 1, int(len(TORQUE) * (value - low) / (high - low)))
