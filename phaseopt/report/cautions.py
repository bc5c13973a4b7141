"""What has to be done before an engine turns and before tables are loaded: in the one place where it stands.

Common practice; shown wherever limits or tables are.
"""

BEFORE_TURNING = (
    "Limits come from the numbers given. Check the assembled engine by hand, on every cylinder, before it turns."
)
BEFORE_TURNING_SHORT = "Calculated from your numbers. Check every cylinder by hand before the engine turns."
DEGREED_AGAIN = "At another offset, degree in again. This assumes that reading will be as good as the one you have."
WHERE_READ = "A cam that was read on the engine counts where it was read: to try another fitting, set its offset."
BEFORE_LOADING = "Before you load these"
STRIP = (  # the same in a few words each, on a page that has them in full beside it
    "Check all cylinders by hand",
    "Prove the zero",
    "Map fuel and spark again",
    "Listen for knock",
    "Dyno: guards, air, stop switch",
)
IN_SHORT = (  # the same a line each, on a terminal that shows them in full under --verbose
    "Contact: this can be wrong. Check every cylinder by hand. No oil: phasers stay at rest.",
    "Zero: rest must read rest. Command 10 crank degrees: the cam turns 5°, the right way.",
    "Fuel and spark: map both again. Start rich and retarded, oil warm. Listen for knock.",
    "Dyno: guards, fresh air, stop in reach, nobody in line. Obey local rules. No warranty.",
)


def cautions() -> tuple[str, ...]:
    """What to do before tables are loaded, in sentences.

    >>> any("by hand" in caution for caution in cautions())
    True
    """
    return (
        "Contact: a model does not replace checking the assembled engine by hand. Measure with a dial gauge or clay, "
        "on every cylinder, with the cams set to the timings to check. A phaser without oil pressure stays at rest. "
        "Then degree in the fitted timing again, and check that too.",
        "Zero: prove it before loading. At rest the controller must read rest. Ten crank degrees commanded at idle "
        "must turn the cam itself five degrees, the right way.",
        "Mixture and ignition: new phases change airflow and spark demand. Map both again. Start rich and retarded, "
        "oil warm, listen for knock, and raise speed in steps.",
        "Dyno: a running engine on a brake can injure and its exhaust can kill. Secure the car or engine, fit the "
        "guards, run the ventilation. Nobody stands in line with what turns; a way to stop it is within reach.",
        "Road cars: changes to the engine may be restricted. Local rules and licensed practice decide.",
        "No warranty: whoever fits the cams and loads the tables answers for the engine and for the people near it.",
    )


def refit_words(changes: tuple[str, ...]) -> tuple[str, ...]:
    """What a change of where a cam is fitted that was only tried asks for.

    >>> refit_words(("crank.bore=81",)), len(refit_words(("intake.offset=-10", "intake.centreline=106")))
    ((), 2)
    """
    from phaseopt.project.changes import changed_key  # heavy, and a page's cautions come before that

    asks = {".offset": DEGREED_AGAIN, ".centreline": WHERE_READ}
    return tuple(words for end, words in asks.items() if any(changed_key(each).endswith(end) for each in changes))
