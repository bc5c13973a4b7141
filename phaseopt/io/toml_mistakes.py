"""What is wrong with a line that is not TOML, and what was probably meant (TOML 1.0.0)."""

import re
from pathlib import Path

from phaseopt.values.errors import InputError

_AT = re.compile(r"\(at line (\d+), column \d+\)")
_PROBABLY = (
    (r"^\s*[\w.-]+\s*:\s", "write = between key and value, not a colon"),
    (r"=\s*[0-9]+(\s*-\s*[0-9]+){2,}", "write an order as a list: {dashes}"),
    (r"=\s*[+-]?\.[0-9]", "write a 0 in front of the point, such as 0.5 for .5"),
    (r"=\s*[+-]?[0-9]+\.(\s|$|#)", "write a digit after the point, such as 8.0 for 8."),
    (r"=\s*[+-]?[0-9]+,[0-9]+\s*(#|$)", "write a decimal point, not a comma"),
    (r"=\s*[+-]?0[0-9]", "leave out zeros in front of a number"),
    (r"=\s*[+-]?[0-9.]+\s*[^\W\d_\"'].*", 'put a value with its unit in quotes, such as "0.08 in"'),
    (r"[\u2018-\u201f\u00ab\u00bb]", "write straight quotes, \" or ', not curly ones"),
    (r"=\s*(True|False|TRUE|FALSE|yes|no|on|off|None|null)\b", "write true or false, in small letters"),
    (r"=\s*\"[^\"]*\\[^\"]*\"", "write / between folders, not a backslash"),
    (r"=\s*\"[^\"]*$|=\s*'[^']*$", "close the quotes at the end of the text"),
    (r"=\s*[\[{][^\]}]*$", "close the bracket at the end of the list"),
    (r"=\s*(#|$)", "give the key a value after ="),
    (r"^\s*\[[^\]]*$", "close the bracket"),
    (r"=\s*[^\W\d_][\w ./-]*\s*(#.*)?$", "put text in quotes"),
    (r"^\s*[\w.-]+\s*(#|$)", "write KEY = VALUE, or # in front of a remark"),
)


def toml_mistake(file: Path, text: str, error: str) -> InputError:
    """The line where reading stopped, and the fix that its look suggests."""
    lines = text.splitlines()
    at = _AT.search(error)
    number = int(at[1]) if at else _opened(lines)
    line = lines[number - 1] if 0 < number <= len(lines) else ""
    if "overwrite" in error or "already" in error.lower() or "twice" in error.lower():
        return _stopped(file, number, line, "is not valid TOML, a key or section is there twice", "keep one of the two")
    for look, fix in _PROBABLY:
        if found := re.search(look, line):
            if "{dashes}" in fix:
                fix = fix.format(dashes=f"[{', '.join(re.findall('[0-9]+', found[0]))}]")
            return _stopped(file, number, line, "is not valid TOML", fix)
    before = next((k for k in range(number - 1, 0, -1) if lines[k - 1].strip()), None)
    fix = "compare the line with one that is right"
    if before is not None and re.search(r"[\[{,]\s*(#.*)?$", lines[before - 1]):
        fix = f"close the bracket of line {before}, or write the comma that is missing"
    return _stopped(file, number, line, f"is not valid TOML: {_AT.sub('', error).strip()}", fix)


def _opened(lines: list[str]) -> int:
    """The last line that opens quotes or brackets and does not close them, where a file ended in the middle."""
    for number in range(len(lines), 0, -1):
        line = lines[number - 1].partition(" #")[0]
        if (
            line.count('"') % 2
            or line.count("'") % 2
            or line.count("[") > line.count("]")
            or line.count("{") > line.count("}")
        ):
            return number
    return len(lines)


def _stopped(file: Path, number: int, line: str, problem: str, fix: str) -> InputError:
    quoted = line.strip()
    quoted = quoted if len(quoted) <= 50 else f"{quoted[:50]}..."
    return InputError.one(f"{problem}: `{quoted}`" if quoted else problem, hint=fix, file=file, where=f"line {number}")
