"""From rpm to duty without speed feedback, against the closed form of a motor at steady speed."""

from pathlib import Path

import pytest

from drillfeed.clients.drivers.duty import DutyTable, duty_for, duty_of, table_of
from drillfeed.daemon.files import read_toml
from drillfeed.daemon.validation import InvalidFile

# A brushed motor at steady speed (textbook): duty x supply = k_v x rpm + R x I_0, with a constant no-load current I_0.
VOLTS_PER_RPM = 0.0036
DROP_V = 0.45


def closed_form(rpm: float, supply_v: float) -> float:
    """Return the duty that the motor equation asks for."""
    return (VOLTS_PER_RPM * rpm + DROP_V) / supply_v


def table(volts: float = 12.4) -> DutyTable:
    """Return what somebody would measure on such a motor."""
    rpm = (100.0, 700.0, 1700.0, 3200.0)
    return table_of(volts, [closed_form(speed_rpm, volts) for speed_rpm in rpm], rpm)


@pytest.mark.parametrize("supply_v", [10.2, 11.1, 12.4, 12.6])
@pytest.mark.parametrize("rpm", [100.0, 350.0, 1234.5, 2500.0])
def test_the_battery_is_made_up_for_as_the_motor_equation_says(rpm: float, supply_v: float) -> None:
    """Within the table, at any supply, the duty is that of the closed form: both are straight lines, so to rounding."""
    assert duty_for(rpm, table(), supply_v) == pytest.approx(closed_form(rpm, supply_v), rel=1e-12)


def test_with_no_known_supply_the_tables_own_counts() -> None:
    """Nothing is made up for where nothing is measured."""
    assert duty_for(1700.0, table(), None) == pytest.approx(closed_form(1700.0, 12.4))


def test_the_duty_ends_at_full_and_at_nothing() -> None:
    """A flat battery gets full duty and no more; zero speed is zero duty; above the table its last duty."""
    assert duty_for(3200.0, table(), 9.0) == 1.0
    assert duty_for(0.0, table(), 12.0) == 0.0
    assert duty_for(9999.0, table(), 12.4) == pytest.approx(closed_form(3200.0, 12.4))


def test_below_the_first_point_the_line_from_nothing() -> None:
    """Half the lowest measured speed is half its duty: an honest guess, and no step."""
    assert duty_for(50.0, table(), None) == pytest.approx(closed_form(100.0, 12.4) / 2)


WRONG = {
    "volts missing": ("[top]\nduty=[0,1]\nrpm=[0,1]", "'volts' is missing"),
    "not rising": ("volts=12\n[top]\nduty=[0,0.5,0.4]\nrpm=[0,1,2]\n[bottom]\nduty=[0,1]\nrpm=[0,1]", "each value"),
    "not as many": ("volts=12\n[top]\nduty=[0,1]\nrpm=[0,1,2]\n[bottom]\nduty=[0,1]\nrpm=[0,1]", "2 duties and 3"),
    "over full": ("volts=12\n[top]\nduty=[0,1.5]\nrpm=[0,1]\n[bottom]\nduty=[0,1]\nrpm=[0,1]", "from 0 to 1"),
    "words": ('volts="x"\n[top]\nduty=[0,1]\nrpm=[0,1]\n[bottom]\nduty=[0,1]\nrpm=[0,1]', "duty.toml"),
    "no toml": ("volts=", "duty.toml"),
}


@pytest.mark.parametrize(("text", "told"), WRONG.values(), ids=list(WRONG))
def test_a_wrong_table_is_named_with_its_file(text: str, told: str, tmp_path: Path) -> None:
    """What is wrong with a table is said with the file's name, and nothing is driven by it."""
    path = tmp_path / "duty.toml"
    path.write_text(text)
    with pytest.raises((ValueError, InvalidFile), match=r"duty\.toml") as caught:
        duty_of(read_toml(path), str(path))
    assert told in str(caught.value)
