"""Inputs that somebody might give by mistake or in bad faith: a whole call's files and arguments, damaged by a seed.

Nothing of the package is imported. `hostile_call(seed, folder, bases)` writes files to an empty folder and returns the
arguments to call the program with. A project, its lobes, drop readings, tables, clamps, logs and grids are damaged as
text, as numbers, as TOML, as CSV, or are put in the place of something else: a pipe, a device, a folder, a huge file.
"""

import os
import random
import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

Files = dict[str, bytes]

NUMBERS = (
    "0", "-1", "1e308", "-1e308", "1e-308", "1e15", "nan", "inf", "-inf", "9" * 400, "9" * 5000, "0x7fffffff", "1_0",
    "-0.0", "8", "100000", "0.5", "2147483648", "9223372036854775808", "1e400", "-180", "360", "30000", "0.0000001",
)  # fmt: skip
TEXTS = (
    "", " " * 6000, "1 mm**9**9**9", "0.5 mm" + "**2" * 200, "(" * 3000 + "1 mm" + ")" * 3000, "12 bananas", "12 mmm",
    "0,5", "0,5 mm", "x" * 300, "y" * 100_000, "1 mm mm mm mm", "1/3 in", "1e400 mm", "nan mm", "inf kPa", "-5 psi",
    "3 1/2 in", "1 m; import os", "__import__('os')", "1 degC/degC*mm", "1 offset_degC", "1e-320 mm", "22 camdeg",
    "1 mm\n2 mm", "\x1b[31mred\x1b[0m", "a\x07b\x00c", "\u202eetirw", "line\u2028line", "1 ℃", "１２ mm", "5 Å", "1 µm",
    "../../../../etc/passwd", "/dev/zero", "/dev/stdin", "CON", "a" * 255, "lpt1.csv", "5 lb ft lb ft lb ft", "1 mm " * 999,  # noqa: E501
    "10**10**10 mm", "1 kilo mega giga m", "1 [length]", "1 mm * 1e400", "deg", "1 2 3 mm", "%s%n%d", "{0.__class__}", "$(id)",  # noqa: E501
)  # fmt: skip
TOML_VALUES = (
    "true", "false", "[]", "{}", "[[]]", "1979-05-27", "07:32:00", "'''a\nb'''", "{ a = { b = 1 } }", "[1, 'a', true]",
    "[" * 900 + "]" * 900, "[" * 90_000, "[" + "0," * 50_000 + "]", "[nan, inf]", "1-3-4-2", ".008", "8.", "1,5", "'",
    '"unclosed', "0x", "1__0", "= 5", "yes", "None", "5 mm", "[0, 1", "{ a = 1", "1e", "++1", "[1000, 1000]", "[2, 1]",
    "[0.0, 1e308]", "[-1e308, 1e308]", "[1000.0, 1e15]",
)  # fmt: skip
NAMES = (
    "x" * 300,
    "colour",
    "",
    '"a b"',
    "file",
    "constructor",
    '"\\u001b[2J"',
    "__proto__",
    "bore.bore",
    "a.b.c.d.e.f.g.h",
)
CELLS = (
    *NUMBERS,
    "",
    " ",
    "abc",
    "1,5",
    "0.323 in",
    '"',
    "'",
    "=1+1",
    "-",
    "#N/A",
    "1;2",
    "\x00",
    "1\t2",
    "2026-11-29",
    "TRUE",
    "½",
)
HEADS = (
    "",
    "cam_deg",
    "lift_mm",
    "x" * 5000,
    "rpm,rpm",
    "\ufeff",
    "advance;retard",
    "bar",
    "cam deg retard",
    "\x1b[2J",
)
SPECIALS = (
    "fifo",
    "folder",
    "missing",
    "zero device",
    "full device",
    "loop",
    "huge",
    "huge line",
    "empty",
    "noise",
    "wide",
)
STREAMS = ("closed", "full", "broken pipe")


@dataclass(frozen=True)
class Call:
    """Arguments of a call in its folder, and what becomes of its standard output ("" as usual)."""

    arguments: tuple[str, ...]
    output: str = ""
    about: str = ""


@dataclass(frozen=True)
class Base:
    """A sound project: its files by name, the arguments of calls on it, and which of its files a call gives apart."""

    files: Mapping[str, bytes]
    calls: Sequence[tuple[str, ...]]


def hostile_call(seed: int, folder: Path, bases: Sequence[Base]) -> Call:
    """Write the damaged files of a seed to an empty folder; how to call the program on them."""
    rng = random.Random(seed)
    base = rng.choice(bases)
    files = dict(base.files)
    arguments = list(rng.choice(base.calls))
    done = []
    for _ in range(rng.choice((1, 1, 1, 2, 3))):
        kind, damage = rng.choice(DAMAGES)
        done.append(f"{kind} of {damage(rng, files, arguments)}")
    for name, content in files.items():
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        (folder / name).write_bytes(content)
    if rng.random() < 0.06:
        done.append(_special(rng, folder, sorted(files)))
    if rng.random() < 0.03:
        done.append(_output_place(rng, folder, arguments))
    arguments += [
        flag for flag, share in (("--json", 0.1), ("--quiet", 0.05), ("--verbose", 0.05)) if rng.random() < share
    ]
    output = rng.choice(STREAMS) if rng.random() < 0.02 else ""
    return Call(tuple(arguments), output, "; ".join(done))


def _pick(rng: random.Random, files: Files, ending: str = "") -> str:
    """A file, the project file as often as all others."""
    names = [name for name in sorted(files) if name.endswith(ending)]
    toml = [name for name in names if name.endswith(".toml")]
    return rng.choice(toml if toml and rng.random() < 0.5 else names)


def _bytes(rng: random.Random, files: Files, _: list[str]) -> str:
    name = _pick(rng, files)
    content = bytearray(files[name])
    for _ in range(rng.choice((1, 1, 2, 10))):
        at, end = sorted((rng.randrange(len(content) + 1), rng.randrange(len(content) + 1)))
        end = min(end, at + 400)
        match rng.randrange(7):
            case 0:
                content[at : at + 1] = bytes([rng.randrange(256)])
            case 1:
                del content[at:end]
            case 2:
                content[at:at] = content[at:end]
            case 3:
                del content[at:]
            case 4:
                content[at:at] = rng.randbytes(rng.choice((1, 4, 40)))
            case 5:
                content[at:at] = rng.choice((b"\0", b"\r", b"\n\n", b'"', b"\xff\xfe", b"[", b"#", b";", b"\x1b[31m"))
            case _ if at < len(content):
                content[at] ^= 1 << rng.randrange(8)
    files[name] = bytes(content)
    return name


def _lines(rng: random.Random, files: Files, _: list[str]) -> str:
    name = _pick(rng, files)
    lines = files[name].split(b"\n")
    at, to = rng.randrange(len(lines)), rng.randrange(len(lines))
    match rng.randrange(6):
        case 0:
            lines[at], lines[to] = lines[to], lines[at]
        case 1:
            lines.insert(at, lines[to])
        case 2:
            del lines[at]
        case 3:
            lines[at:at] = [lines[to]] * 2000
        case 4:
            del lines[min(at, to) : max(at, to)]
        case _:
            lines.reverse()
    files[name] = b"\n".join(lines)
    return name


def _number(rng: random.Random, files: Files, _: list[str]) -> str:
    name = _pick(rng, files)
    text = files[name].decode("utf-8", "replace")
    found = list(re.finditer(r"(?<![\w.])-?\d+(\.\d+)?", text))
    for each in sorted(rng.sample(found, min(len(found), rng.choice((1, 1, 1, 3)))), key=lambda m: -m.start()):
        value = rng.choice(NUMBERS)
        if rng.random() < 0.4:
            value = f"{float(each[0]) * rng.choice((-1, 0, 2, 10, 0.1, 25.4, 1 / 25.4, 1000, 1.1)):.6g}"
        text = text[: each.start()] + value + text[each.end() :]
    files[name] = text.encode("utf-8", "replace")
    return name


def _toml(rng: random.Random, files: Files, _: list[str]) -> str:
    name = _pick(rng, files, ".toml")
    lines = files[name].decode("utf-8", "replace").split("\n")
    keyed = [k for k, line in enumerate(lines) if "=" in line]
    if not keyed:
        return name
    at = rng.choice(keyed)
    # a key of a table in one line as often as the line's own
    pairs = list(re.finditer(r"([\w.-]+) ?= ?(\"[^\"]*\"|\[[^]]*\]|[^,{}\[\]]+)", lines[at]))
    pair = rng.choice(pairs) if pairs else None
    if pair is None:
        return name
    key, value = pair[1], pair[2]
    match rng.randrange(9):
        case 0 | 1:
            value = _quoted(rng.choice(TEXTS))
        case 2:
            value = rng.choice(TOML_VALUES)
        case 3:
            value = rng.choice(NUMBERS)
        case 4:
            value = _quoted(
                value.strip()
                + rng.choice((" in", " mm", " cam deg", " crank", "deg", "mm", " psi", " thou", "°", " Nm"))
            )
        case 5:
            key = rng.choice(NAMES)
        case 6:
            letter = rng.randrange(len(key))
            key = key[:letter] + rng.choice(("", "x", key[letter] * 2)) + key[letter + 1 :]
        case 7:
            lines.insert(at, lines[at])
        case _:
            lines.insert(rng.randrange(len(lines)), rng.choice((
                f"[{key}]", f"[[{key}]]", f"{key} = 1", "x" * 3000, "[a" + ".a" * 3000 + "]", f"{key}", "= 1", "\t", "[", "]]",  # noqa: E501
            )))  # fmt: skip
            at = lines.index(pair.string) if pair.string in lines else at
    lines[at] = lines[at][: pair.start()] + f"{key} = {value}" + lines[at][pair.end() :]
    files[name] = "\n".join(lines).encode("utf-8", "surrogatepass")
    return name


def _quoted(text: str) -> str:
    """A text as a TOML string; what TOML does not take as it is, sometimes so all the same."""
    plain = text.replace("\\", "\\\\").replace('"', '\\"').replace("\n", "\\n")
    return '"' + re.sub(r"[\x00-\x08\x0b-\x1f\x7f]", lambda m: f"\\u{ord(m[0]):04x}", plain) + '"'


def _cells(rng: random.Random, files: Files, _: list[str]) -> str:
    name = _pick(rng, {n: c for n, c in files.items() if n.endswith(".csv")})
    rows = [line.split(",") for line in files[name].decode("utf-8", "replace").split("\n")]
    row = rng.choice(rows)
    column = rng.randrange(max(len(rows[0]), 1))
    match rng.randrange(9):
        case 0 | 1 | 2:
            row[rng.randrange(len(row))] = rng.choice(CELLS)
        case 3:
            for each in rows:
                del each[column : column + 1]
        case 4:
            rows[0][column % len(rows[0])] = rng.choice(HEADS)
        case 5:
            for each in rows[1:]:
                each[column : column + 1] = [rng.choice(NUMBERS)]
        case 6:
            row.extend(["1"] * rng.choice((1, 3, 5000)))
        case 7:
            for each in rows[1:]:
                each.reverse()
        case _:
            rows.insert(rng.randrange(len(rows)), [rng.choice(CELLS) for _ in range(rng.randrange(6))])
    mark = rng.choice((",", ",", ",", ";", "\t", " ", "|"))
    text = "\n".join(mark.join(each) for each in rows)
    if mark == ";" and rng.random() < 0.5:
        text = text.replace(".", ",")
    coding = rng.choice(("utf-8", "utf-8", "utf-8", "utf-8-sig", "utf-16", "utf-16-le", "utf-32"))
    files[name] = text.replace("\n", rng.choice(("\n", "\n", "\r\n", "\r"))).encode(coding, "replace")
    return name


def _swapped(rng: random.Random, files: Files, _: list[str]) -> str:
    one, other = _pick(rng, files), _pick(rng, files)
    match rng.randrange(3):
        case 0:
            files[one], files[other] = files[other], files[one]
        case 1:
            files[one] = files[other]
        case _:
            files[one] += files[other]
    return f"{one}, {other}"


def _argument(rng: random.Random, _: Files, arguments: list[str]) -> str:
    at = rng.randrange(len(arguments))
    match rng.randrange(6):
        case 0:
            del arguments[at]
        case 1:
            arguments.insert(at, arguments[at])
        case 2:
            arguments[at] = arguments[at][: len(arguments[at]) // 2]
        case 3:
            arguments[at] = rng.choice((*NUMBERS, *(text for text in TEXTS if "\0" not in text)))
        case 4:
            arguments.append(rng.choice(("--bogus", "--out", "--json=1", "-", "--", "extra", "--hel", "-qv")))
        case _:
            rng.shuffle(arguments)
    return "the arguments"


def _special(rng: random.Random, folder: Path, names: Sequence[str]) -> str:
    """Something else in the place of a file."""
    name, kind = rng.choice(names), rng.choice(SPECIALS)
    path = folder / name
    put_special(path, kind)
    return f"{kind} as {name}"


def put_special(path: Path, kind: str) -> None:
    """Put one of `SPECIALS` in the place of a file."""
    path.unlink(missing_ok=True)
    match kind:
        case "fifo":
            os.mkfifo(path)
        case "folder":
            path.mkdir()
        case "zero device" | "full device":
            path.symlink_to("/dev/zero" if kind == "zero device" else "/dev/full")
        case "loop":
            path.symlink_to(path.name)
        case "huge":
            with path.open("wb") as file:
                file.truncate(3 << 30)  # sparse
        case "huge line":
            path.write_bytes(b"1," * 4_000_000)
        case "noise":
            path.write_bytes(random.Random(1).randbytes(20_000))
        case "wide":
            path.write_bytes(b"\n".join(b",".join(b"%d" % (k * j) for k in range(2000)) for j in range(200)))
        case "empty":
            path.touch()


def _output_place(rng: random.Random, folder: Path, arguments: list[str]) -> str:
    """A place for results in which none can go."""
    kind = rng.choice(("fifo", "file", "folder", "null", "full", "long", "deep", "inside"))
    place = folder / "there"
    match kind:
        case "fifo":
            os.mkfifo(place)
        case "file":
            place.write_text("mine")
        case "folder":
            place.mkdir()
            (place / "mine.txt").write_text("mine")
        case "null":
            place = Path("/dev/null")
        case "full":
            place = Path("/dev/full")
        case "long":
            place = folder / ("n" * 300)
        case "deep":
            place = folder / "/".join("d" * 200 for _ in range(30))
        case "inside":
            place = Path("/proc/self/there")
    arguments += [rng.choice(("--out", "--sheet")), str(place)]
    return f"results into {kind}"


DAMAGES: tuple[tuple[str, Callable[[random.Random, Files, list[str]], str]], ...] = (
    ("bytes", _bytes), ("bytes", _bytes), ("lines", _lines), ("numbers", _number), ("numbers", _number), ("numbers", _number),  # noqa: E501
    ("keys and values", _toml), ("keys and values", _toml), ("keys and values", _toml), ("keys and values", _toml),
    ("cells", _cells), ("cells", _cells), ("cells", _cells), ("exchange", _swapped), ("arguments", _argument),
)  # fmt: skip
