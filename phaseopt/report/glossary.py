"""The trade's words that a page uses, each in one sentence: at most 40, listed where they occur."""

import re

WORDS = {
    "phase": "How far a phaser has turned its cam from rest, in crank degrees, + = advanced.",
    "at rest": "Where a phaser stands without oil pressure; every phase counts from there.",
    "offset": "How far a cam is fitted from its centreline as designed, in crank degrees.",
    "centreline": "The crank angle at which a lobe stands in the middle: after TDC for intake, before it for exhaust.",
    "TDC": "Top dead centre, where the piston stands highest; here the one at which the gases change.",
    "clamps": "The least and the most phase that a controller may command.",
    "clearance": "How far a valve could still move before it meets the piston or the other valve.",
    "CLEAR": "Every clearance is at least what your rules require, in the worst case.",
    "TIGHT": "Nothing meets, but a clearance is less than required.",
    "HITS": "In the worst case parts meet.",
    "required": "The least clearance that your rules allow.",
    "static": "On a cold engine turned by hand, with measuring errors counted.",
    "running": "At speed, with all that stretch, play, growth, the chain and the phaser take away.",
    "worst case": "With every error against you at once.",
    "valve drop": "How far a valve goes down along its stem, from its seat until it meets the piston.",
    "lash": "The play between cam and valve, as set cold.",
    "degree in": "To read on the assembled engine where a cam really stands.",
    "overshoot": "How far a phaser swings past its target when it moves.",
    "loft": "How far the valve flies above its lobe near the top speed.",
    "overlap": "The crank degrees in which both valves are open.",
    "float": "A valve that no longer follows its lobe.",
    "coil bind": "A spring pressed until its coils touch.",
    "pockets": "The cut-outs in the piston's crown that give the valves room.",
    "pull": "One run on the dyno through the speeds.",
    "baseline": "The tables that the new ones are compared with.",
    "dip": "Speeds at which torque sags below a smooth curve.",
    "smoothness": "How little a table changes from cell to cell.",
    "untested": "Outside the timings and speeds that pulls have measured: torque there is the model's word alone.",
    "knock": "Fuel that lights by itself and hammers the piston.",
}


def words_on(html: str) -> tuple[tuple[str, str], ...]:
    """The words that a page uses, with what they mean, in the order of the alphabet.

    >>> [word for word, _ in words_on("<p>Set the <b>lash</b>, then the clamps.</p><script>TDC</script>")]
    ['clamps', 'lash']
    """
    text = re.sub(r"<(script|style)>.*?</\1>|<[^>]*>", " ", html, flags=re.DOTALL)
    found = [(word, meaning) for word, meaning in WORDS.items() if re.search(rf"\b{word}\b", text)]
    return tuple(sorted(found, key=lambda each: each[0].lower()))
