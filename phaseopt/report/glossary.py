"""The trade's words that a page uses, at most 40, each in one sentence: where it first stands, and in a list.

A word is explained at its first place in running text, open text before folded: there it is a button that opens its
sentence beside it, by pointer, touch or keyboard and without a script (HTML, the popover attribute). Headings, tables,
drawings and controls are left as they are.
"""

import re
from collections.abc import Iterator

from markupsafe import escape

WORDS = {
    "phase": "How far a phaser has turned its cam from rest, in crank degrees, + = advanced.",
    "at rest": "Where a phaser sits without oil pressure; every phase counts from there.",
    "offset": "How far a cam is fitted from its design centreline, in crank degrees, + = advanced.",
    "centreline": "The crank angle of a lobe's middle: after TDC for the intake, before TDC for the exhaust.",
    "TDC": "Top dead centre, the piston at its highest; here always between exhaust and intake, not at firing.",
    "clamps": "The least and the most phase that a controller may command.",
    "clearance": "How far a valve could still move before it meets the piston or the other valve.",
    "CLEAR": "Every clearance is at least what your rules require, in the worst case.",
    "TIGHT": "Nothing meets, but a clearance is less than your minimum.",
    "HITS": "In the worst case, parts meet.",
    "UNKNOWN": "A value is blank, or was not read on the engine.",
    "required": "The least clearance that your rules allow.",
    "static": "Engine cold and turned by hand, with measuring errors counted.",
    "running": "At speed, after stretch, play, growth, chain and phaser have taken their share.",
    "worst case": "With every error against you at once.",
    "valve drop": "How far the valve can open, along its stem, before it meets the piston.",
    "lash": "The play between cam and valve gear with the valve shut, set cold.",
    "degree in": "To read with a degree wheel and dial gauge where a cam really is on the assembled engine.",
    "overshoot": "How far a phaser swings past its target when it moves.",
    "loft": "How far the valve train leaves the lobe over the nose at high speed, lifting the valve further.",
    "overlap": "The crank degrees for which both valves are open.",
    "float": "The valve no longer follows its lobe, because the spring cannot hold it.",
    "coil bind": "A spring squeezed until its coils touch.",
    "pocket": "The cut-out in the piston crown that gives a valve room.",
    "pull": "One run on the dyno, through the speeds or held at steady ones.",
    "baseline": "The tables that the new ones are compared with.",
    "dip": "A stretch of speeds where torque sags below a smooth curve.",
    "smoothness": "How little a table changes from cell to cell.",
    "untested": "Outside the timings and speeds of your pulls: torque there is only the model's estimate.",
    "knock": "Mixture that goes off by itself and hammers the piston.",
    "drift": "How much torque changes over a day although nothing was changed.",
    "knee": "The point on a curve from which a little more costs a lot.",
}
_OTHER_FORMS = {"degree in": "degreed? in", "clamps": "clamps?", "running": "running(?! engine)"}
_SIGNS_BEFORE, _SIGNS_AFTER = re.compile(r"(?:[^\w\s&;]|&#\d+;)*$"), re.compile(r"(?:[^\w\s&]|&#\d+;)*")
_TOKENS = re.compile(r"(<(script|style|svg)\b.*?</\2>|<[^>]*>)", re.DOTALL)
_VOID = {"meta", "br", "hr", "img", "link", "input"}
_RUNNING = {"p", "li", "dd", "figcaption"}  # elements whose text is running text
_LEFT = {"h1", "h2", "h3", "table", "summary", "label", "button", "a", "pre", "output", "title", "nav"}
# Classes of what has a look of its own, or is not on every screen or paper.
_LEFT_CLASSES = {"badge", "value", "known", "more", "meta", "soft", "legend", "desk", "phone", "hidden", "fill"}


def words_on(html: str) -> tuple[tuple[str, str], ...]:
    """The words that a page uses, with what they mean, in the order of the alphabet.

    >>> [word for word, _ in words_on("<p>Set the <b>lash</b>, then the clamps.</p><script>TDC</script>")]
    ['clamps', 'lash']
    """
    text = re.sub(r"<(script|style)\b.*?</\1>|<[^>]*>", " ", html, flags=re.DOTALL)
    found = [(word, meaning) for word, meaning in WORDS.items() if re.search(_pattern(word), text)]
    return tuple(sorted(found, key=lambda each: each[0].lower()))


def explained(html: str) -> str:
    """A page whose words open their meaning where they first stand in running text.

    >>> text = explained("<h2>Lash</h2><p>Set the lash cold. The lash counts.</p>")
    >>> text.count("<button"), text.count("popover"), text.startswith("<h2>Lash</h2><p>Set the <dfn>")
    (1, 2, True)
    """
    tokens = _TOKENS.split(html)
    del tokens[2::3]  # the names of elements that were taken whole
    left = dict(WORDS)
    for folded in (False, True):
        for n in _running_text(tokens, folded=folded):
            tokens[n] = _first_uses(tokens[n], left)
    return "".join(tokens)


def _running_text(tokens: list[str], *, folded: bool) -> Iterator[int]:
    """Where running text stands: open on the page, or `folded`."""
    inside: list[tuple[str, bool]] = []  # the elements that are open, and whether their text is left as it is
    for n, token in enumerate(tokens):
        name = re.match(r"<(/?)([a-z0-9]+)", token)
        if name is None:
            names = [each for each, _ in inside]
            runs = any(each in _RUNNING for each in names) and not any(left for _, left in inside)
            if token.strip() and runs and ("details" in names) == folded:
                yield n
        elif name[1]:
            while inside and inside.pop()[0] != name[2]:
                pass
        elif name[2] not in _VOID | {"script", "style", "svg"} and not token.endswith("/>"):
            classes = re.search(r'\bclass="([^"]*)"', token)
            own = classes is not None and not _LEFT_CLASSES.isdisjoint(classes[1].split())
            inside.append((name[2], own or name[2] in _LEFT or bool(re.search(r"\s(hidden|role)\b", token))))


def _first_uses(text: str, left: dict[str, str]) -> str:
    """A text with the words that are still to be explained; each is then no longer `left`."""
    done = ""
    while left:
        places = [(found.start(), -found.end(), word) for word in left if (found := re.search(_pattern(word), text))]
        if not places:
            break
        start, end, word = min(places)
        name = f"word-{word.lower().replace(' ', '-')}"
        button = f'<button type="button" class="word" popovertarget="{name}">{text[start:-end]}</button>'
        meaning = f'<span popover id="{name}" class="meaning">{escape(left.pop(word))}</span>'
        before, after = _SIGNS_BEFORE.search(text, 0, start), _SIGNS_AFTER.match(text, -end)
        assert before is not None  # it may be empty, as the other
        assert after is not None
        whole = f"{before[0]}<dfn>{button}</dfn>{after[0]}"
        if before[0] or after[0]:  # a line may break beside a button, even where a comma follows
            whole = f'<span class="whole">{whole}</span>'
        done += f"{text[: before.start()]}{whole}{meaning}"
        text = text[after.end() :]
    return done + text


def _pattern(word: str) -> str:
    """A word in the forms that a page uses, capital or not; a state's word in capitals alone."""
    forms = _OTHER_FORMS.get(word, word if word.isupper() else f"{word}s?")
    return rf"\b{forms if word.isupper() else f'[{forms[0].upper()}{forms[0]}]{forms[1:]}'}\b"
