"""What `phaseopt offsets --try` says: each given pair of offsets against the offsets as fitted."""

from phaseopt.clearance.rules import CLEAR, HITS
from phaseopt.report.cautions import IN_SHORT, cautions
from phaseopt.report.document import Document, Row, Section, Table, say
from phaseopt.report.subjects.offsets import (
    LEGEND,
    band_cells,
    beyond_words,
    gain_words,
    how_to,
    margin_words,
    pair_words,
)
from phaseopt.report.words import capital, sentence
from phaseopt.study.offset_gains import BANDS, SEEN, TorqueChange, torque_change
from phaseopt.study.offset_try import OffsetTry, cannot_hit
from phaseopt.study.offsets import Choice
from phaseopt.tables import number_text
from phaseopt.values.display_units import DisplayUnits

_CAPTION = f"Torque: best tables, average at full throttle over the measured speeds. {LEGEND}"
_TORQUE = {
    TorqueChange.MORE: "more torque",
    TorqueChange.SAME: "same torque",
    TorqueChange.SHIFTED: "same torque on average, shifted along speed",
    TorqueChange.LESS: "less torque",
    TorqueChange.UNPROVED: "no sure difference in torque",
    TorqueChange.UNKNOWN: "torque unknown",
}
_GOOD = (TorqueChange.MORE, TorqueChange.SAME)


def offset_try_document(found: OffsetTry) -> Document:
    """Given pairs of offsets: an answer each, and the numbers behind it."""
    units = found.project.display_units
    rows = [Row("as fitted", _cells(found.fitted, units), strong=True)]
    rows += [Row(f"{number}", _cells(each, units)) for number, each in enumerate(found.tried, start=1)]
    head = (
        "", "intake", "exhaust", f"torque {units.torque.name}", f"gain {units.torque.name}",
        *(f"{band} %" for band in BANDS), "full travel",
        f"running {units.gap.name}", "far °",
    )  # fmt: skip
    return Document(
        f"{found.project.name}: installed offsets tried",
        _verdict(found),
        lead=found.notes,
        sections=(
            say("Answer", *map(sentence, _answers(found))),
            Section("Compared", (Table(_CAPTION, head, tuple(rows)),)),
            say("Cannot be computed", *(f"intake {a:g}, exhaust {b:g}: {why}" for (a, b), why in found.refused)),
            say("Words", *_meanings()),
            say("Then", *how_to(found.fitted.trial)),
        ),
        not_covered=tuple(found.model.not_covered),
        cautions=cautions(),
        in_short=IN_SHORT,
    )


def answer_words(found: OffsetTry, choice: Choice) -> str:
    """What a pair does, in a few words: "same torque, and full travel is CLEAR"."""
    trial, change = choice.trial, torque_change(choice.gain, found.fitted.trial)
    torque = _TORQUE[change]
    if cannot_hit(trial):
        return f"{torque}, {'and' if change in _GOOD else 'but'} full travel is {CLEAR.upper()}"
    if not trial.clear:
        return f"{torque}, and its tables are not clear"
    return f"{torque}, {'but' if change in _GOOD else 'and'} full travel {_travel(trial.travel)}"


def _travel(verdict: str) -> str:
    return verdict.upper() if verdict == HITS else f"is {verdict.upper()}"


def _answers(found: OffsetTry) -> list[str]:
    unit = found.project.display_units.gap
    lines = [
        f"{number}, {pair_words(each.trial)}: {answer_words(found, each)}; it has {margin_words(each.trial, unit)}"
        for number, each in enumerate(found.tried, start=1)
    ]
    if len(lines) == 1:  # the verdict says the rest
        lines = [f"full travel there has {margin_words(found.tried[0].trial, unit)}"]
    now = found.fitted.trial
    fitted = f"full travel {_travel(now.travel)}"
    return [*lines, f"as fitted, {pair_words(now)}: {fitted}; it has {margin_words(now, unit)}"]


def _verdict(found: OffsetTry) -> str:
    """The answer on the best pair: of those that gain torque or safety, the safe ones first, then the most torque."""

    def better(choice: Choice) -> bool:
        change = torque_change(choice.gain, found.fitted.trial)
        safer = cannot_hit(choice.trial) and not cannot_hit(found.fitted.trial)
        return choice.trial.clear and (change == TorqueChange.MORE or (change == TorqueChange.SAME and safer))

    if not found.tried:
        return "None of these offsets can be computed."
    good = [each for each in found.tried if better(each)]
    if good or len(found.tried) == 1:
        best = max(good or found.tried, key=lambda each: (cannot_hit(each.trial), each.trial.score))
        return f"{capital(pair_words(best.trial))}: {answer_words(found, best)}."
    return "None of these offsets is better than as fitted."


def _cells(choice: Choice, units: DisplayUnits) -> tuple[str, ...]:
    trial = choice.trial
    return (
        *(number_text(each) for each in trial.offsets),
        units.torque.number(trial.full_load),
        gain_words(choice.gain, units.torque),
        *band_cells(choice.gain),
        trial.travel.upper(),
        units.gap.down(trial.travel_gap),
        beyond_words(trial),
    )


def _meanings() -> tuple[str, ...]:
    return (
        f"Same torque: over all cells by weight, the gain stays within {200 * SEEN:g} % of full-throttle torque. So it "
        "does in each third of the speeds. No ordinary dyno shows less.",
        f"Full travel is {CLEAR.upper()}: of both rules, wherever both phasers go, for the contacts covered here.",
    )
