"""Words of the trade around a table's numbers: what they say of degrees, sign, rest, cam, load and speed.

One place holds every word, in English, German, French, Italian, Spanish and romanised Japanese (common practice, no
source). A word counts only where a person would take it so: "cam" alone names a camshaft, "cam degrees" a unit;
"intake cam degrees" and "degrees of cam advance" may be either, and "CA" is crank angle to one and cam angle to
another, so none of these says anything.
What is found here is only what is written: whether it holds is judged in `meaning` and `reading`.
"""

import re
import unicodedata
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Literal

About = Literal["degrees", "sign", "zero", "cam", "load", "scale", "other"]

_MOST = 1e9  # degrees: a longer number stays one that is refused, not one that overflows
# Where in the travel 0 is; or lobe centrelines, after TDC, before it, or without saying.
PLACES = ("fully retarded", "fully advanced", "the middle of the travel")
CENTRELINES = ("centreline", "centreline ATDC", "centreline BTDC")
FROM_TDC = "from TDC"  # an angle of something that is not named
NOT_KNOWN = "not known"  # 0 is something that the project does not hold


@dataclass(frozen=True)
class Words:
    """Words of a file and where they are: "line 3", or "its name".

    Examples
    --------
    >>> Words("Inlet advance (cam degrees)", "line 1").where
    'line 1'
    """

    text: str
    where: str


@dataclass(frozen=True)
class Statement:
    """What some words say.

    Attributes
    ----------
    about : str
        degrees ("crank", "cam"), sign (1, -1), zero (the number at rest, an end of the travel, or a centreline), cam
        ("intake", "exhaust"), load (a unit), scale (1000, of speeds), other (what the numbers are if not phases).
    value : str or float
    words : Words
    by_name : bool
        A sign that the quantity's name alone gives: "retard", and not "+ = retard".
    """

    about: About
    value: str | float
    words: Words
    by_name: bool = False

    @property
    def quoted(self) -> str:
        """Where it is written, and the words."""
        return f"{self.words.where} {self.shortened}"

    @property
    def shortened(self) -> str:
        """The words in quotes, not too many of them."""
        text = self.words.text
        return f'"{text if len(text) <= 60 else text[:57] + "..."}"'


def _any(*words: str) -> str:
    return f"(?:{'|'.join(words)})"


_DEGREE = _any(r"degrees?", r"degs?", r"grad", r"gradi", r"grados?", r"degres?", "°")
_CAM = _any(
    r"cam ?shafts?", r"cams?", r"nockenwelle", r"nw", r"arbres? a cames", r"aac", r"albero a camme", r"camma",
    r"arbol de levas", r"levas?",
)  # fmt: skip
_CRANK = _any(
    r"crank ?shafts?", r"crank", r"crk", "cra", r"kurbelwelle", r"kw", r"vilebrequin", r"vilo", r"albero motore",
    r"motore", r"manovella", r"ciguenal",
)  # fmt: skip
_INTAKE = _any(r"intakes?", r"inlets?", r"int", r"einlass\w*", r"admission", r"aspirazione", r"admision", r"kyuki")
_EXHAUST = _any(r"exhausts?", r"exh?", r"auslass\w*", r"echappement", r"scarico", r"escape", r"haiki")
_ADVANCE = _any(
    r"advance[sd]?", r"advancing", r"adv", r"earl(?:y|ier)", r"fruh\w*", r"avance", r"anticip\w+", r"adelant\w+",
    r"shinkaku",
)  # fmt: skip
_RETARD = _any(
    r"retard(?:s|ed|ing|o)?", r"ret", r"late(?:r)?", r"spat(?:er|verstellung)?", r"ritard\w+", r"retras\w+", r"chikaku"
)
_CAMS_BEFORE = ("intake", "inlet", "int", "exhaust", "exh", "einlass", "auslass", "kyuki", "haiki")
_NOT_OF = "".join(f"(?<!{cam} )" for cam in _CAMS_BEFORE)
_OF = r"(?: ?(?:of|at|on|in|der|du|de|del|di)(?: (?:the|la|el))?)? ?"
# "deg cam 1" names a cam, "degrees of cam advance" what is advanced.
_NO_CAM_NAMED = (
    rf"(?! ?(?:\d|[a-d]\b|{_INTAKE}\b|{_EXHAUST}\b|{_ADVANCE}\b|{_RETARD}\b|"
    r"timing|phas\w+|angle|position|target|shift|movement|command))"
)
_DEGREES = {
    "cam": [
        rf"(?<![a-z]){_DEGREE}{_OF}{_CAM}\b{_NO_CAM_NAMED}",
        rf"\b{_NOT_OF}{_CAM} ?{_DEGREE}(?![a-z])",
        rf"{_DEGREE}(?![a-z]).*[(\[]{_CAM}[)\]]|\bangles? at (?:the )?{_CAM}\b",
        r"\bnockenwellengrad\b",
        rf"\b{_NOT_OF}kamu kaku\b",
    ],
    "crank": [
        rf"(?<![a-z]){_DEGREE}{_OF}{_CRANK}\b",
        rf"\b{_CRANK} ?(?:angle ?)?{_DEGREE}(?![a-z])",
        rf"{_DEGREE}(?![a-z]).*[(\[]{_CRANK}[)\]]|\bangles? at (?:the )?{_CRANK}\b",
        r"\bcrank(?:shaft)? angle\b(?! sensor)",
        r"\bkurbelwellengrad\b",
        r"\bkuranku kaku\b",
    ],
}

# Words that turn one kind of degrees into the other: which the numbers are then, a person has to say.
_FACTOR = r"(?:\bx|\*|\btimes|\bby|(?<!\d)/) ?(?:2|two|0[.,]5)\b(?![.,]\d)|\b(?:2 ?x|doubled?|half|halved|twice)\b"
_NOT = r"\b(?:not|no|never|without|nicht|kein\w*|non|senza|sin)\b(?: (?:in|of|the))*"

_NUMBER = r"([+-]?\d+(?:[.,]\d+)?|zero|null)"
_REST = _any(
    r"rest(?: position)?", r"parked", r"park(?:ed)? position", r"locked (?=at|reads)", r"lock(?:ed)? position",
    r"pinned", r"ruhelage", r"ruhestellung", r"grundstellung", r"repos", r"riposo", r"reposo",
)  # fmt: skip
_IS = r" ?(?:=|:|\bis\b|\bat\b|\bin\b|\bbei\b|\bau\b|\ba\b|\ben\b|\breads?\b)?(?: the)? ?"
_SPEED = r"(?:\brpm\b|r\.p\.m|u/min|1/min|min-1|tr/min|\bgiri\b|drehzahl|\bregim\w*|engine speed|\bkaiten\w*|\bkrpm\b)"
_NOT_SPEED = rf"(?![\d.,]*\d)(?! ?(?:{_SPEED}|%))"
_REST_IS = [
    rf"(?<![\w.,]){_NUMBER} ?(?:{_DEGREE})?{_IS}\b{_REST}\b",
    rf"\b{_REST}\b{_IS}(?<![a-z\d]){_NUMBER}{_NOT_SPEED}",
]
_FROM_REST = rf"\b(?:from|ab|aus|depuis|du|da|desde)(?: (?:the|la|its|il|el))? {_REST}\b"
_FULLY = _any("fully", "full", "most", r"max(?:imum)?", "voll", "ganz")
_END_IS = [
    rf"\b(?:0|zero|null){_IS}{_FULLY} ({_ADVANCE}|{_RETARD})\b",
    rf"\b{_FULLY} ({_ADVANCE}|{_RETARD}){_IS}\b(?:0|zero|null)\b",
    rf"\b(?:from|ab) {_FULLY} ({_ADVANCE}|{_RETARD})\b",
]
_MIDDLE = r"(?:mid(?:dle)?[ -]?(?:of )?(?:the )?(?:travel|position|range|stroke)|centred?|centered?|mitte)"
_MIDDLE_IS = rf"\b(?:0|zero|null){_IS}{_MIDDLE}\b"
_OTHER_IS = rf"\b(?:0|zero|null){_IS}(?:straight up|base|installed|as installed|nominal|tdc|split overlap)\b"
_CENTRE = r"\b(?:cent(?:re|er) ?lines?|lobe cent(?:re|er)s?|icl|ecl|spreizung)\b"
_AFTER = r"\b(?:atdc|(?:after|past) tdc|nach (?:lw-?)?ot|apres pmh|dopo (?:il )?pms|despues del? pms)\b"
_BEFORE = r"\b(?:btdc|before tdc|vor (?:lw-?)?ot|avant pmh|prima del pms|antes del pms)\b"

_VALUES = r"(?: (?:values?|numbers?|werte?))?"
_PLUS = rf"(?:\+(?: ?ve\b)?|\b(?:positiv(?:e|o|os)?|positif|plus)\b{_VALUES})"
_NEGATIVE = rf"\b(?:negativ(?:e|o|os)?|negatif|minus)\b{_VALUES}"
_MINUS = rf"(?:-(?: ?ve)? ?=|(?<=[/(,;|])-(?=adv|ret)|{_NEGATIVE} ?(?:=|is\b|are\b)?)"
_MEANS = r" ?(?:=|:|is\b|are\b|means?\b)? ?(?:nach |vers )?"
# "Late model" is no retard, and "advanced settings" advance nothing.
_NOT_SIGN = (
    r"\b(?:early|late)(?= [a-z0-9])|"
    r"\badvanced (?:settings?|tuning|options?|users?|setup|menu|features?|control|tables?|maps?)\b"
)
_EXPLICIT = [
    (rf"{_PLUS}{_MEANS}({_ADVANCE}|{_RETARD})\b", 1),
    (rf"\b({_ADVANCE}|{_RETARD})(?: ?(?:=|:)| is| are)? ?\(?(?:\+(?= ?(?:$|[),;|/\]]))|positiv\w*\b|positif\b)", 1),
    (rf"{_MINUS} ?(?:nach |vers )?({_ADVANCE}|{_RETARD})\b", -1),
    (rf"\b({_ADVANCE}|{_RETARD})(?: ?(?:=|:)| is| are)? ?\(?(?:(?<=[(=:] )-|(?<=[(=:])-|negativ\w*\b|negatif\b)", -1),
]

_THROTTLE = r"\b(?:throttle|tps|drosselklappe\w*|papillon|farfalla|mariposa|pedal)\b"
# "Intake manifold pressure" is a load, and no cam.
_NO_CAM = r"(?! ?(?:manifold|pressure|map|air|temp\w*|gas|back ?pressure|druck|luft)\b)"
_LOADS = {
    "kPa": r"\bkpa\b", "mbar": r"\b(?:mbar|hpa)\b", "bar": r"\bbar\b", "psi": r"\bpsi[ag]?\b", "inHg": r"\bin ?hg\b",
    "mmHg": r"\bmm ?hg\b", "mg/stroke": r"\bmg/(?:stroke|str|stk|hub|cyl|cycle)\b", "g/rev": r"\bg/rev\b", "%": r"%",
}  # fmt: skip
_LOAD = rf"(?:{'|'.join(_LOADS.values())})(?: ?(?:throttle|tps|load|map|abs))?"
_CLAMP_ENDS = {
    ("from", "to"), ("min", "max"), ("minimum", "maximum"), ("least", "most"), ("lower", "upper"), ("von", "bis"),
    ("de", "a"), ("da", "a"), ("desde", "hasta"), ("most retarded", "most advanced"),
}  # fmt: skip
_SCALE = rf"(?:x|\*|/) ?1000\b|\bkrpm\b|\b1000 ?{_SPEED}|\bin thousands\b"
_OTHER = {
    "ignition timing": r"\b(?:ignition|spark|zund\w+|allumage|encendido|accensione)\b",
    "fuel": r"\b(?:injection|injectors?|einspritz\w+)\b",
    "opening or closing angles": (
        r"\b(?:opening|closing|opens|closes|[ie]v[oc]|offnet|schliesst|ouverture|fermeture|apertura|chiusura|cierre)\b"
    ),
    "radians": r"\brad(?:ians?)?\b",
    "another unit than one degree": (
        rf"(?:\b(?:units?|einheit|unite|unita|unidad|lsb|scale|factor|faktor|in|x)\b\W*|[\[(])0?[.,]\d+ ?{_DEGREE}|"
        rf"(?:{_DEGREE}|{_CRANK}|{_CAM})[)\] ]*(?:x|\*|/) ?(?!2\b|1000\b)\d|\btenths\b|\b(?:bits?|lsb|raw|hex)\b"
    ),
    "a share of the travel": r"%(?: of)?(?: the)? travel|\bpercent of (?:the )?travel\b",
}


def plain(text: str) -> str:
    """Words as they are compared: small letters without accents, one blank between.

    >>> plain("Échappement:  Spät [° NW]"), plain("inlet_cam-degrees")
    ('echappement: spat [° nw]', 'inlet cam degrees')
    """
    for mark, to in (("º", "°"), ("×", "x"), ("ß", "ss"), ("−", "-"), ("–", "-"), ("_", " ")):
        text = text.replace(mark, to)
    parts = unicodedata.normalize("NFKD", text)
    text = "".join(c for c in parts if not unicodedata.combining(c)).lower()
    return " ".join(re.sub(r"(?<=[a-z])-(?=[a-z])", " ", text).split())


def name_words(stem: str) -> str:
    """The words of a file's name, parted where capitals begin.

    >>> name_words("InletRetardCamDeg"), name_words("exhaust_cam-v12")
    ('Inlet Retard Cam Deg', 'exhaust cam v12')
    """
    return " ".join(re.sub(r"(?<=[a-z])(?=[A-Z])", " ", re.sub(r"[-_.]", " ", stem)).split())


def statements_in(words: Sequence[Words]) -> tuple[Statement, ...]:
    """All that words say, in their order.

    Examples
    --------
    >>> [(each.about, each.value) for each in statements_in([Words("Inlet retard (cam degrees)", "line 1")])]
    [('cam', 'intake'), ('degrees', 'cam'), ('sign', -1)]
    >>> statements_in([Words("Intake cam angle", "line 1"), Words("rpm", "line 2")])[1:]
    ()
    >>> [(each.about, each.value) for each in statements_in([Words("0 = fully retarded, + = advance", "line 3")])]
    [('zero', 'fully retarded'), ('sign', 1)]
    """
    return tuple(each for one in words for each in _statements(one))


def _statements(words: Words) -> Iterator[Statement]:
    text = plain(words.text)
    for what, pattern in _OTHER.items():
        if re.search(pattern, text):
            yield Statement("other", what, words)
    both = (("intake", _INTAKE), ("exhaust", _EXHAUST))
    cams = [cam for cam, pattern in both if re.search(rf"\b{pattern}\b{_NO_CAM}", text)]
    if len(cams) == 1:
        yield Statement("cam", cams[0], words)
    text = re.sub(rf"{_NOT} (?:{'|'.join(_DEGREES['cam'] + _DEGREES['crank'])}|{_ADVANCE}\b|{_RETARD}\b)", "|", text)
    found = [degrees for degrees, patterns in _DEGREES.items() if any(re.search(pattern, text) for pattern in patterns)]
    if found and re.search(_FACTOR, text):
        found = list(_DEGREES)
    yield from (Statement("degrees", degrees, words) for degrees in found)
    zeros, text = _zeros(text)
    yield from (Statement("zero", zero, words) for zero in zeros)
    signs, name = _signs(text)
    yield from (Statement("sign", sign, words) for sign in signs)
    if name is not None:
        yield Statement("sign", name, words, by_name=True)
    load = load_unit(text)
    if load:
        yield Statement("load", load, words)
    if re.search(_SCALE, text):
        yield Statement("scale", 1000.0, words)


def _zeros(text: str) -> tuple[list[str | float], str]:
    """What is said of rest, each once, and the text without it."""
    found: list[str | float] = []
    for pattern in _END_IS:
        for match in re.finditer(pattern, text):
            found.append(PLACES[bool(re.fullmatch(_ADVANCE, match[1]))])
        text = re.sub(pattern, " | ", text)
    for pattern, place in ((_MIDDLE_IS, PLACES[2]), (_OTHER_IS, NOT_KNOWN)):
        if re.search(pattern, text):
            found.append(place)
    for pattern in _REST_IS:
        for match in re.finditer(pattern, text):
            found.append(0.0 if match[1] in ("zero", "null") else min(float(match[1].replace(",", ".")), _MOST))
        text = re.sub(pattern, " | ", text)
    if re.search(_FROM_REST, text):
        found.append(0.0)
    after, before = re.search(_AFTER, text), re.search(_BEFORE, text)
    if re.search(_CENTRE, text):
        found.append(CENTRELINES[1 if after and not before else 2 if before and not after else 0])
    elif after or before:
        found.append(FROM_TDC)
    return list(dict.fromkeys(found)), text


def _signs(text: str) -> tuple[list[int], int | None]:
    """What + means: as said in so many words; else by the name of the quantity, where it is one of the two alone."""
    text = re.sub(_NOT_SIGN, "|", text)
    found = []
    for pattern, sign in _EXPLICIT:
        for match in re.finditer(pattern, text):
            found.append(sign if re.fullmatch(_ADVANCE, match[1]) else -sign)
        text = re.sub(pattern, " | ", text)
    named = [sign for sign, words in ((1, _ADVANCE), (-1, _RETARD)) if re.search(rf"\b{words}\b", text)]
    return list(dict.fromkeys(found)), named[0] if len(named) == 1 and not found else None


def load_unit(text: str) -> str:
    """The one unit of load that words name, "" for none or several; a gauge pressure says so.

    >>> load_unit("MAP (kPa)"), load_unit("boost, psi"), load_unit("throttle %"), load_unit("bar or psi")
    ('kPa', 'psi gauge', '% throttle', '')
    """
    text = plain(text)
    units = [unit for unit, pattern in _LOADS.items() if re.search(pattern, text)]
    if re.search(_THROTTLE, text) and units in ([], ["%"]):
        return "% throttle"
    if len(units) != 1:
        return ""
    return f"{units[0]} gauge" if re.search(r"\b(?:boost|gauge|psig)\b", text) else units[0]


def names_speed(text: str) -> bool:
    """Whether words name engine speed.

    >>> names_speed("Drehzahl [U/min]"), names_speed("load, kPa")
    (True, False)
    """
    return re.search(_SPEED, plain(text)) is not None


def speed_way(text: str) -> Literal["across", "down"] | None:
    """Which way words say that engine speed runs: "rows: rpm", "rpm down", or a corner "rpm \\ kPa".

    >>> speed_way("Rows: kPa, columns: rpm"), speed_way("rpm down kPa across"), speed_way("load\\\\rpm")
    ('across', 'down', 'across')
    >>> speed_way("rpm") is None
    True
    """
    text = plain(text)
    parts = re.search(r"\brows?\b\W*(.*?)\W*\bcol(?:umn)?s?\b(.*)", text)
    pair = parts.groups() if parts else tuple(text.partition("\\")[::2]) if "\\" in text else ()
    if not pair and (found := re.search(r"(.*?)\bdown\b(.*?)\bacross\b", text)):
        pair = found.groups()
    if len(pair) != 2 or names_speed(pair[0]) == names_speed(pair[1]):
        return None
    return "down" if names_speed(pair[0]) else "across"


def without_unit(cell: str) -> tuple[str, str]:
    """A breakpoint and the unit written behind it: "30 kPa".

    >>> without_unit("30 kPa"), without_unit("1500 rpm"), without_unit("12°"), without_unit("8")
    (('30', 'kPa'), ('1500', 'rpm'), ('12°', ''), ('8', ''))
    """
    found = re.fullmatch(r"([+-]?[\d.,]+) ?([^\d\s].*)", cell)
    if found is None:
        return cell, ""
    words = plain(found[2])
    unit = "rpm" if re.fullmatch(_SPEED, words) else load_unit(words) if re.fullmatch(_LOAD, words) else ""
    return (found[1], unit) if unit else (cell, "")


def are_ends(one: str, other: str) -> bool:
    """Whether two columns of clamps are headed as the ends of a span.

    >>> are_ends("from", "to"), are_ends("von (°KW)", "bis (°KW)"), are_ends("50", "100")
    (True, True, False)
    """
    names = tuple(re.sub(r"[\[(].*", "", plain(name)).strip() for name in (one, other))
    return names in _CLAMP_ENDS or names[::-1] in _CLAMP_ENDS
