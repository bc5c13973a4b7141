"""What a measuring sheet says in sentences: how to measure and how to turn an engine safely. Common practice."""

from dataclasses import dataclass


@dataclass(frozen=True)
class How:
    """A title and the steps under it."""

    title: str
    steps: tuple[str, ...]


TRUE_TDC = (
    "Find true TDC with a positive stop: piston well down, stop fitted, turn by hand until the piston rests on it, "
    "read the degree wheel; turn the other way to the stop, read again. TDC is midway. Set the wheel, do it once more, "
    "take the stop out; do it again when all is read."
)
TURNING = (
    "Turn the crank by hand at its own bolt, slowly, in its running direction only. Come to every angle from the same "
    "side; if you pass it, go back a good way and come again, so that play is always taken up. Never turn by a cam "
    "bolt, never by the starter."
)
NEVER_FORCE = "Never force anything. If something stops, stop, go back, and find out what touches before you go on."

READINGS = How(
    "How to read the valve drop",
    (
        "Make sure nothing can start or turn the engine: battery off, plugs out. Keep fingers and tools out of the "
        "chain or belt.",
        "Head on, with the gasket and the torque it will run with. Light checking springs in place of the valve "
        "springs, so that a finger moves a valve. Cams out, or no lobe near a valve you read.",
        TRUE_TDC,
        TURNING,
        "Dial gauge along the stem, on the retainer; zero with the valve on its seat. Push the valve along its own "
        "axis until it meets the piston, read, let it back on its seat, and see the gauge return to zero. Never turn "
        "the crank while a valve is held down.",
        "Each valve of each cylinder at every angle, counted from that cylinder's own TDC; before TDC is negative. "
        "Read twice; where two readings differ by more than 0.05 mm (0.002 in), read again.",
        NEVER_FORCE,
    ),
)
AFTERWARDS = (
    "In the file of readings each angle of a cylinder stands once: take the least of its valves (column least). Angles "
    "before TDC are negative.",
    "Readings taken another day, or with the wheel set anew, go into a file of their own.",
)

CHECKING = How(
    "How to check a timing on the engine",
    (
        "Make sure nothing can start or turn the engine: battery off, plugs out. Light checking springs, tappets "
        "solid, lash as set, chain or belt tensioned.",
        TRUE_TDC,
        "A phaser without oil pressure stays at rest, held by its pin or spring. See that it does: the cam must not "
        "move in its sprocket by hand. Where it does, hold it at rest with the locking tool made for it, or leave the "
        "check until you can. Because the phaser stays at rest, the cam itself is re-dialled by the phase.",
        "To re-dial, turn the crank to where no piston is near its top. Loosen one cam, turn it by the cam degrees "
        "given (half the crank degrees; advance = the way the cam runs), tighten; then the other cam.",
        TURNING,
        "Bring the crank to gas-exchange TDC (exhaust closing, intake opening) and read the lift of both valves there. "
        "If a lift differs from the sheet by more than it allows, do not turn on: go back and dial again. Where a "
        "valve is shut at TDC, set its cam by the centreline.",
        "Only where the sheet allows it, turn on by hand. Every 5° near TDC read how much farther each valve can be "
        "pushed until it meets the piston: the least of these is the gap. If it is less than expected by more than the "
        "tolerance, find out why before anything else. Valve to valve: with both lifted by their cams, push one "
        "towards the other, or use clay.",
        "When done, re-dial both cams to the fitted timing and check that too, on every cylinder.",
        NEVER_FORCE,
    ),
)
ALLOWED = "Clear of both rules up to {rpm:.0f} rpm: may be turned through by hand, slowly."
NO_TURNING = (
    "DO NOT TURN THE ENGINE THROUGH at this timing, and do not dial it: up to {rpm:.0f} rpm the rules call it "
    "{verdict}. It is checked by the sum of drop and lift alone; no figure for turning through is given."
)
VALVES_NOT_COVERED = (
    "Valve to valve is not covered: nothing here says that the valves clear each other. Feel for it at every degree."
)
