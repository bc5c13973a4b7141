"""The arrangements that a configuration states in its own fields, as lists of parts."""

from phaseopt.cycle.config import CycleConfig
from phaseopt.cycle.pipework import AIR, Duct, Junction, Pipework, Volume, cut_at_plate, cylinder_name


def usual_intake(config: CycleConfig) -> Pipework:
    """The list of parts that a configuration's own runners and plenum, or throttles, stand for."""
    runner, own = config.runner, config.throttles == "per cylinder"
    assert runner is not None
    ducts, volumes = list[Duct](), [] if own else [Volume("plenum", config.plenum_volume, "intake", AIR)]
    joints = list[Junction]()
    for number in config.firing_order:
        behind, pipe = f"throttle {number}" if own else "plenum", runner
        if own and config.throttle_volume is not None:
            volumes.append(Volume(behind, config.throttle_volume, "intake", AIR))
        elif own:
            mouth, pipe = cut_at_plate(runner)
            ducts.append(Duct(f"mouth {number}", AIR, behind, mouth, "intake"))
            joints.append(Junction(behind, throttle=True))
        ducts.append(Duct(f"runner {number}", behind, cylinder_name(number), pipe, "intake"))
    return Pipework(tuple(ducts), tuple(volumes), tuple(joints))


def usual_exhaust(config: CycleConfig) -> Pipework:
    """The list of parts that a configuration's own exhaust pipes and collector stand for."""
    primary, secondary, tail = config.primary, config.secondary, config.tail
    assert primary is not None
    assert tail is not None
    pairs, box = 0 if secondary is None else config.cylinders // 2, config.collector_volume > 0.0
    ducts = []
    for fires, number in enumerate(config.firing_order):
        meets = f"Y {fires % pairs + 1}" if pairs else "collector"
        ducts.append(Duct(f"primary {number}", cylinder_name(number), meets, primary, "exhaust"))
    junctions = [Junction(f"Y {pair + 1}") for pair in range(pairs)]
    if secondary is not None:
        for pair in range(1, pairs + 1):
            ducts.append(Duct(f"secondary {pair}", f"Y {pair}", "collector", secondary, "exhaust"))
    volumes = (Volume("collector", config.collector_volume, "exhaust"),) if box else ()
    if not box:
        junctions.append(Junction("collector"))
    ducts.append(Duct("tail", "collector", AIR, tail, "tail"))
    return Pipework(tuple(ducts), volumes, tuple(junctions))


def pipework_of(config: CycleConfig) -> Pipework:
    """All parts of both sides."""
    intake = config.intake_pipework or usual_intake(config)
    exhaust = config.exhaust_pipework or usual_exhaust(config)
    return Pipework(
        intake.ducts + exhaust.ducts, intake.volumes + exhaust.volumes, intake.junctions + exhaust.junctions
    )
