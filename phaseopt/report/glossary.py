"""The trade's words that a page uses, each in one sentence: at most 40, listed where they occur."""

import re

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
    "pockets": "The cut-outs in the piston crown that give the valves room.",
    "pull": "One run on the dyno, through the speeds or held at steady ones.",
    "baseline": "The tables that the new ones are compared with.",
    "dip": "A stretch of speeds where torque sags below a smooth curve.",
    "smoothness": "How little a table changes from cell to cell.",
    "untested": "Outside the timings and speeds of your pulls: torque there is only the model's estimate.",
    "knock": "Mixture that goes off by itself and hammers the piston.",
}


def words_on(html: str) -> tuple[tuple[str, str], ...]:
    """The words that a page uses, with what they mean, in the order of the alphabet.

    >>> [word for word, _ in words_on("<p>Set the <b>lash</b>, then the clamps.</p><script>TDC</script>")]
    ['clamps', 'lash']
    """
    text = re.sub(r"<(script|style)>.*?</\1>|<[^>]*>", " ", html, flags=re.DOTALL)
    found = [(word, meaning) for word, meaning in WORDS.items() if re.search(rf"\b{word}\b", text)]
    return tuple(sorted(found, key=lambda each: each[0].lower()))
