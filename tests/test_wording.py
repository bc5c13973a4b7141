"""Plain English wherever a person reads, and the field's own terms in the code.

A word is looked for in the sentences that the package can print, in docstrings and comments of the package and its
tests, in templates, pages of documentation, examples and notebooks; a name in the code of the package and its tests.
"""

import ast
import json
import re
import tokenize
from collections.abc import Iterator
from pathlib import Path
from typing import NamedTuple

ROOT = Path(__file__).resolve().parent.parent
PACKAGE = ROOT / "phaseopt"

# Not this, but that: a pattern of whole words, and what to say instead.
WORDS = {
    r"mend(s|ed|ing)?": "fix",
    r"told|tells": "shows, reported",
    r"heed": "warnings",
    r"touch nothing|touches": "clear / hits",
    r"TOUCH|SHORT": "hits / tight",
    r"safe as a whole|any phase (in it )?with any other": "safe in any combination",
    r"keeps? the running reserve": "enough running clearance",
    r"guaranteed": "at least (worst case)",
    r"by hand,? expect": "you should measure",
    r"held by|stopped by|binds": "limited by",
    r"dearest|price of a limit|prices of (the )?limits": "what each limit costs",
    r"even curve|concave majorant": "dip below a smooth curve",
    r"own breathing": "the engine's breathing",
    r"middling": "typical",
    r"honest(ly)?": "error bars look right",
    r"left empty|never invented": "left blank",
    r"admits?": "allows",
    r"re-?dial(led)?": "degree in again",
    r"witness(?! mark)(es)?": "degree-in check",
    r"doubt(s|ful)?": "uncertainty",
    r"beyond (the )?data|out of reach of the points": "outside the tested range",
    r"to be had without it": "gain if removed",
    r"taken for": "counts as",
    r"breaks? a rule": "clearance stays within your rules",
    r"and who stops it": "crew; who stops the dyno",
    r"whatever": "(say which)",
    r"thereof|lest|nor": "(say it plainly)",
    r"of which": "(two sentences)",
    r"kin": "related quantities",
}  # fmt: skip

# The same in what is printed, docstrings left out: there the code's own names may stand.
PRINTED = {
    r"(?<![\[.`\"=(-])(?<!time )gaps?(?! (in time|in the time|budget)|[.`\"\]=])": "clearance",
}  # fmt: skip

# Parts of names, and whole names of the package, with the field's term.
PARTS = {
    "mend": "hint", "told": "notes", "tell": "progress", "tells": "shows", "kin": "simulated_quantities",
    "slant": "diagonal", "slants": "diagonals", "lattice": "phase_grid", "ledger": "gap_budget",
    "belief": "hyperprior", "beliefs": "hyperpriors", "stray": "outlier", "strays": "outliers",
    "wish": "search_setting", "wishes": "search_settings", "suspicion": "plausibility", "worth": "objective",
    "foreign": "table_import",
    "heed": "warnings", "lest": "otherwise", "guaranteed": "worst_case", "binds": "limited_by",
    "doubt": "uncertainty", "dearest": "most_costly",
}  # fmt: skip
OF_LIBRARIES = ("study.tell(",)  # other libraries' own names
WHOLE = {"said": "notes", "shown": "display_units", "kept": "cache", "odd": "outliers", "health": "log_quality"}


class Found(NamedTuple):
    """A word that is ruled out, where it stands, and what to say instead."""

    place: str
    word: str
    instead: str
    around: str


def sentences(path: Path) -> Iterator[tuple[int, str, bool]]:
    """What a person can read in a module, and whether it can be printed: strings of more than one word, comments."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    docstrings = {id(node.value) for node in ast.walk(tree) if isinstance(node, ast.Expr)}
    for node in ast.walk(tree):
        if isinstance(node, ast.Constant) and isinstance(node.value, str) and " " in node.value.strip():
            yield node.lineno, node.value, id(node) not in docstrings
    with tokenize.open(path) as lines:
        for token in tokenize.generate_tokens(lines.readline):
            if token.type == tokenize.COMMENT:
                yield token.start[0], token.string, False


def pages() -> Iterator[Path]:
    """Pages of documentation and templates."""
    yield from (ROOT / name for name in ("README.md", "DEVELOPERS.md", "maps/README.md"))
    yield from sorted(p for p in (ROOT / "examples").rglob("*") if p.suffix in (".md", ".toml"))
    yield from sorted(p for p in PACKAGE.rglob("*") if p.suffix in (".j2", ".js", ".html", ".json", ".toml"))


def files_of_tests() -> list[Path]:
    """The tests of the package, but for this page, which has to name the words; those from outside are apart."""
    found = (ROOT / "tests").rglob("*.py")
    return sorted(path for path in found if path != Path(__file__).resolve() and "outside" not in path.parts)


def texts() -> Iterator[tuple[str, str, bool]]:
    """Every text that a person reads, with its place, and whether it is printed."""
    for path in sorted([*PACKAGE.rglob("*.py"), *(ROOT / "examples").rglob("*.py")]):
        for line, text, is_printed in sentences(path):
            yield f"{path.relative_to(ROOT)}:{line}", text, is_printed
    for path in files_of_tests():
        yield from ((f"{path.relative_to(ROOT)}:{line}", text, False) for line, text, _ in sentences(path))
    for path in pages():
        for line, text in enumerate(path.read_text(encoding="utf-8").splitlines(), 1):
            yield f"{path.relative_to(ROOT)}:{line}", text, True
    for path in sorted((ROOT / "examples").rglob("*.ipynb")):
        for number, cell in enumerate(json.loads(path.read_text(encoding="utf-8"))["cells"], 1):
            yield f"{path.relative_to(ROOT)}:{number}", "".join(cell["source"]), True


def words_found() -> list[Found]:
    """Words that are ruled out, wherever a person reads."""
    found = []
    everywhere, printed = (_patterns(words) for words in (WORDS, WORDS | PRINTED))
    for place, text, is_printed in texts():
        for pattern, instead in printed if is_printed else everywhere:
            for match in pattern.finditer(text):
                around = " ".join(text[max(0, match.start() - 30) : match.end() + 30].split())
                found.append(Found(place, match[0], instead, around))
    return found


def _patterns(words: dict[str, str]) -> list[tuple[re.Pattern[str], str]]:
    """Whole words in any case, but for words in capitals."""
    flags = {word: 0 if word.replace("|", "").isupper() else re.IGNORECASE for word in words}
    return [(re.compile(rf"\b({word})\b", flags[word]), instead) for word, instead in words.items()]


def names_found() -> list[Found]:
    """Names that are ruled out, in the package and its tests."""
    found = []
    for path in sorted([*PACKAGE.rglob("*.py"), *files_of_tests()]):
        with tokenize.open(path) as lines:
            for token in tokenize.generate_tokens(lines.readline):
                if token.type == tokenize.NAME and not any(each in token.line for each in OF_LIBRARIES):
                    parts = re.split(r"_|(?<=[a-z])(?=[A-Z])", token.string)
                    wrong = [PARTS[part.lower()] for part in parts if part.lower() in PARTS]
                    wrong += [WHOLE[token.string]] if token.string in WHOLE and path.is_relative_to(PACKAGE) else []
                    place = f"{path.relative_to(ROOT)}:{token.start[0]}"
                    found += [Found(place, token.string, each, token.line.strip()) for each in wrong[:1]]
    return found


def listed(found: list[Found]) -> str:
    """One line a place."""
    return "\n".join(f"{each.place}: {each.word} -> {each.instead}   ({each.around[:100]})" for each in found)


def test_what_a_person_reads_is_plain_english() -> None:
    found = words_found()
    assert not found, listed(found)


def test_names_are_the_terms_of_the_field() -> None:
    found = names_found()
    assert not found, listed(found)
