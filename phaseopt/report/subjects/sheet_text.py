"""What a measuring sheet says in sentences: how to measure and how to turn an engine safely. Common practice."""

TRUE_TDC = (
    "Find true TDC with a positive stop. Piston well down, stop fitted: turn by hand until the piston rests on it and "
    "read the degree wheel. Turn the other way to the stop and read again. TDC is midway. Set the wheel, prove it once "
    "more, take the stop out. Prove it again when all is read."
)
TURNING = (
    "Turn the crank by hand at its own bolt, slowly, in its running direction only. Come to every angle from the same "
    "side. If you pass it, go well back and come again, so that play is always taken up. Never turn by a cam bolt or "
    "with the starter."
)
NEVER_FORCE = "Never force anything. If something stops, stop, go back, and find out what hits before you go on."

HOW_TO_READ = "How to read the valve drop"
READINGS = (
    "Make sure nothing can start or turn the engine: battery off, plugs out. Keep fingers and tools out of the chain "
    "or belt.",
    "Head on, with the gasket and the torque it will run with. Fit light checking springs in place of the valve "
    "springs, so that a finger moves a valve. Cams out, or no lobe near a valve you read.",
    TRUE_TDC,
    TURNING,
    "Set the dial gauge along the stem, on the retainer. Zero it with the valve on its seat. Push the valve along its "
    "own axis until it meets the piston, and read. Let it back on its seat and see the gauge return to zero. Never "
    "turn the crank while a valve is held down.",
    "Read each valve of each cylinder at every angle, counted from that cylinder's own TDC. Before TDC is negative. "
    "Read twice; where two readings differ by more than 0.05 mm (0.002 in), read again.",
    NEVER_FORCE,
)
AFTERWARDS = (
    "The file of readings has one line for each angle of a cylinder. Enter the least of its valves (column least). "
    "Angles before TDC are negative.",
    "Readings taken another day, or with the wheel set again, go into a file of their own.",
)

DEGREE_IN = (
    "Do this with the cams fitted as they will run: phasers at rest with their pins engaged, chain or belt tight. With "
    "hydraulic lifters (tappets) fit solid ones for the readings.",
    "Leave the degree wheel as it was for the valve drops if you can, for both cams. Its zero error then cancels, to "
    "the piston and between valves. Say so in the project (same_wheel = true for each cam). If you moved it, prove TDC "
    "again and leave that out.",
    "Turn the crank as for the valve drop: slowly, by its own bolt, in its running direction only.",
    "Dial gauge on the retainer, along the stem, zero with the valve shut. Read the crank angle at half lift and at "
    "{below} below full lift, going up and coming down. Then full lift, and lift at TDC.",
    "Turn each phaser by hand or with air to the end of its travel. Read how far the cam turned.",
    "Where a valve is open near TDC, push it until it meets the piston: that travel is the clearance itself.",
    "Angles count from gas-exchange TDC, negative before it. They go under degree_in in the project.",
)

SPRINGS = (
    "Springs store energy: use a compressor that cannot slip, wear eye protection, and keep your face out of line.",
    "On a spring tester, read force at the fitted height and at that height less full valve lift. Read each spring; "
    "enter the weakest.",
    "Press the spring solid for its solid height. Measure from retainer to seal with the valve shut.",
    "Weigh valve, retainer, both keepers (collets), lifter (bucket, tappet) and the whole spring on a kitchen scale. "
    "Enter the heaviest of each, under spring in the project file.",
)
SPRING_READINGS = (
    "fitted height, {length}",
    "force at fitted height, {force}",
    "force at full lift, {force}",
    "solid height, {length}",
    "retainer to seal, {length}",
    "valve, g",
    "retainer, g",
    "keepers (collets), g",
    "lifter or follower, g",
    "spring, g",
)

HOW_TO_CHECK = "How to check a timing on the engine"
CHECKING = (
    "Make sure nothing can start or turn the engine: battery off, plugs out. Light checking springs, lifters (tappets) "
    "solid, lash as set, chain or belt tensioned.",
    TRUE_TDC,
    "A phaser without oil pressure stays at rest on its pin or spring. See that it does: the cam must not move "
    "in its sprocket by hand. If it moves, hold it with the locking tool made for it, or leave the check until you "
    "can. To check a limit, degree in the cam itself by the phase and leave the phaser at rest. A phaser without a pin "
    "may instead be held at its stop, where that is the limit.",
    "To degree in, turn the crank to where no piston is near its top. Loosen one cam, turn it by the cam degrees "
    "given, tighten. Cam degrees are half the crank degrees; advance is the way the cam runs. Then do the other cam.",
    TURNING,
    "Bring the crank to gas-exchange TDC (exhaust closing, intake opening) and read the lift of both valves there. If "
    "a lift differs from the sheet by more than it allows, do not turn on: go back and degree in again. Where a valve "
    "is shut at TDC, set its cam by the centreline.",
    "Turn on by hand only where the sheet allows it. Every 5° near TDC, read how much farther each valve can be pushed "
    "until it meets the piston. The least of these is the clearance. If you find less than the sheet says, by more "
    "than its tolerance, find out why before anything else.",
    "Valve to valve: with both lifted by their cams, push one towards the other, or use clay.",
    "When done, degree in the fitted timing again and check that too, on every cylinder.",
    NEVER_FORCE,
)
ALLOWED = "CLEAR of both rules up to {rpm:.0f} rpm: you may turn the engine through by hand, slowly."
NO_TURNING = (
    "DO NOT TURN THE ENGINE THROUGH at this timing, and do not degree it in. Up to {rpm:.0f} rpm the rules call it "
    "{verdict}. Check it on paper alone, by the sum of drop and lift. No figure for turning through is given."
)
VALVES_NOT_COVERED = (
    "Valve to valve is not covered: nothing here says that the valves clear each other. Feel for it at every degree."
)
HOW_TO_SUM = (
    "Take drop as read, and lift as a gauge on the retainer shows it at that angle. Subtract in every row. The least, "
    "framed, counts: it is some degrees off TDC, not at full lift. Write your own sum under yours."
)
INVENTED = "These numbers are invented, to show the sum. phaseopt limits with --sheet prints that of your engine."
SHUT = (
    "Shut is what parts the nearest heads on their seats, along the shortest line at that angle. Lift takes its share "
    "of it: the cosine between stem and line."
)
