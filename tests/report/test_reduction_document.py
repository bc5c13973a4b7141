"""What `reduce` asks about a pull that looks wrong as a whole, and the one key that leaves it out."""

from pathlib import Path

from outside.dyno_days import sae_factor
from torque.dyno import with_facts
from torque.test_unlike_curves import day, project_with

from phaseopt.report.subjects.reduce import look_first, reduction_document
from phaseopt.torque_model import read_logged_day

HIGH_UP = 94.0  # kPa: torque counts some 6 % more in the standard's air


def test_a_repeat_that_was_corrected_twice_is_asked_about_by_key(tmp_path: Path) -> None:
    """Source: SAE J1349 as quoted publicly, written apart (`outside.dyno_days`)."""
    pulls = day().pulls
    for pull in pulls:
        pull.weather = (HIGH_UP, *pull.weather[1:])
    twice = [pull for pull in pulls if pull.kind == "baseline"][1]
    twice.channels["torque"] = twice.channels["torque"] * sae_factor(*twice.weather)
    found = read_logged_day(project_with(tmp_path, pulls))
    assert with_facts(look_first(found), twice.name, "already_corrected")
    text = str(reduction_document(found))
    assert f'leave_out = ["{twice.name}.csv"]' in text
