"""Of drill, player, machine and hard bounds the lowest holds, and whose it is gets named."""

import re
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drillfeed.daemon.aim.thrower import rim_limits
from drillfeed.daemon.config import read_config
from drillfeed.daemon.drills.bounds import HARD_MAX_PER_MIN
from drillfeed.daemon.drills.drill import Drill, read_drill
from drillfeed.daemon.drills.players import Player
from drillfeed.daemon.drills.profiles import HOUSE_PROFILES, PLAYER_LEVELS, Caps, PlayerLevel, Profile
from drillfeed.daemon.library.loading import known, load_balls, load_drill, load_machine
from drillfeed.daemon.planning.allowed import ANOTHER_BALL, ANOTHER_LEVEL, Owner, lowest, objection
from drillfeed.daemon.planning.change import change_plan
from drillfeed.daemon.planning.plan import DrillPlan, plan_drill
from drillfeed.daemon.planning.setting import USUAL_STEP, NotPossible
from drillfeed.daemon.validation import InvalidFile
from drillfeed.protocol.texts.catalogue import text

BALLS = load_balls()
CLUB, PAN, KIT = load_machine("club-build"), load_machine("hall-pan"), load_machine("kit-build")
ROLL = load_machine("hall-roll")
LEVEL_OF: dict[PlayerLevel, str] = {"junior": "beginner", "club": "club", "advanced": "advanced"}
LIMIT = st.floats(0.5, 200)
MAYBE = st.none() | LIMIT


def player(level: PlayerLevel, **caps: object) -> Player:
    """Return a player of a level, with some of its figures changed."""
    house = HOUSE_PROFILES.of(level).caps
    return Player(profile=Profile(level, Caps(**{**house.model_dump(), **caps})))


def drill_of(balls: list[str], tempo: float = 30, n: int = 10, **more: object) -> Drill:
    part = {"balls": n, "sequence": {"kind": "fixed", "balls": balls}}
    head = {"name": "limits", "title": "limits", "level": "club", "tempo_per_min": tempo}
    return read_drill({**head, "set": [part], **more}, "a test")


def planned(drill: Drill, who: Player, on: str = "club-build") -> DrillPlan:
    return plan_drill(drill, BALLS, {"club-build": CLUB, "hall-pan": PAN, "hall-roll": ROLL}[on], 1, player=who)


@given(LIMIT, MAYBE, MAYBE, MAYBE)
def test_the_effective_limit_is_above_none_of_the_four_and_is_one_of_them(
    drill: float, player: float | None, machine: float | None, hard: float | None
) -> None:
    """The bound equals the lowest, and the one that is named sets no more than the bound."""
    four: dict[Owner, float | None] = {"drill": drill, "player": player, "machine": machine, "hard": hard}
    bound = lowest(drill, player, machine, hard)
    assert all(bound.highest <= most for most in four.values() if most is not None)
    assert bound.highest in four.values()
    named = four[bound.by]
    assert named is not None and named == pytest.approx(bound.highest, abs=1e-9)


@pytest.mark.parametrize(
    ("four", "by"),
    [
        ((30, 35, 60, 90), "drill"),
        ((45, 35, 60, 90), "player"),
        ((80, 75, 60, 90), "machine"),
        ((100, None, 120, 90), "hard"),
        ((35, 35, 35, 35), "drill"),
        ((45, None, None, 90), "drill"),
    ],
)
def test_the_lowest_is_named(four: tuple[float, float | None, float | None, float | None], by: str) -> None:
    """Whose limit is the lowest is told; where the drill asks for no more, nobody holds it back."""
    assert lowest(*four).by == by


@settings(max_examples=60, deadline=None)
@given(
    tempo=st.floats(10, HARD_MAX_PER_MIN),
    cap=st.floats(10, HARD_MAX_PER_MIN),
    rim=st.floats(5, 20),
    speed=st.floats(5, 12),
    most=st.integers(1, 60),
    n=st.integers(1, 60),
    vary=st.sampled_from([0.0, 0.1, 0.2]),
    balls=st.lists(st.sampled_from(["light-topspin", "light-push", "rally-topspin"]), min_size=1, max_size=3),
)
def test_no_plan_is_above_any_of_the_four(
    tempo: float, cap: float, rim: float, speed: float, most: int, n: int, vary: float, balls: list[str]
) -> None:
    """Every interval, rim, ball and set of a plan keeps to drill, player, machine and hard bound, or is refused."""
    who = player("advanced", max_per_min=cap, max_rim_mps=rim, max_mps=speed, max_set_balls=most)
    drill = drill_of(balls, tempo, n, vary={"tempo_share": vary, "speed_mps": 0.2})
    try:
        plan = planned(drill, who)
    except NotPossible as refused:
        assert "the player's profile advanced" in str(refused)
        return
    (planned_set,) = plan.sets
    assert len(planned_set.balls) == min(n, most)
    assert 60 / planned_set.interval_s <= min(tempo, cap, CLUB.feeder.high_balls_per_min, HARD_MAX_PER_MIN) + 1e-9
    assert all(60 / ball.gap_s <= cap + 1e-9 for ball in planned_set.balls)
    assert all(gap_s >= 60 / cap - 1e-9 for gap_s in planned_set.min_gap_s.values())
    for ball in planned_set.balls:
        assert ball.speed_mps <= speed
        for wheel, rpm in ((CLUB.top, ball.setting.top_rpm), (CLUB.bottom, ball.setting.bottom_rpm)):
            assert wheel.rim_mps(rpm) <= min(rim, rim_limits(CLUB).max_mps) + 1e-6


def test_a_tempo_above_the_players_is_stretched_evenly_and_said() -> None:
    """45 asked, 35 by the level: every interval alike, the reason names both figures and whose limit it is."""
    (planned_set,) = planned(drill_of(["light-topspin"], 45), player("junior")).sets
    assert {ball.gap_s for ball in planned_set.balls} == {60 / 35}
    assert planned_set.stretch is not None and planned_set.stretch.by == "player"
    assert planned_set.stretch.text == "tempo 45/min asked, 35/min by the player's profile junior"


def test_the_machine_is_named_where_it_is_the_lower() -> None:
    """A pair that takes the machine longer than the player's least interval is told as the machine's, as ever."""
    drill = drill_of(["deep-chop", "rally-topspin"], 75)
    (plain,), (held,) = planned(drill, Player()).sets, planned(drill, player("advanced")).sets
    assert plain.stretch is not None and plain.stretch.by == "machine"
    assert (held.balls, held.stretch) == (plain.balls, plain.stretch)


def test_waits_and_pauses_keep_to_the_tempo_of_the_player() -> None:
    """A scenario's wait and the pause after a burst may not be a way past the least interval; it is said."""
    order = {"kind": "scenario", "parts": ["light-topspin", {"wait_s": 1.2}, "light-topspin"]}
    drill = read_drill({**drill_of(["light-topspin"]).model_dump(), "set": [{"balls": 6, "sequence": order}]}, "a test")
    plan = planned(drill, player("junior"))
    assert all(ball.gap_s >= 60 / 35 for ball in plan.sets[0].balls)
    assert plan.notes == ("set 1: waits of less than 1.71 s last so long, by the player's profile junior",)
    assert min(ball.gap_s for ball in planned(drill, Player()).sets[0].balls) < 60 / 35


def test_a_set_that_is_too_long_is_cut_and_said() -> None:
    """30 asked, 20 by the level; the balls are the first 20 of what was asked."""
    drill = drill_of(["light-topspin", "light-push"], 30, 30)
    cut, whole = planned(drill, player("junior")), planned(drill, Player())
    assert cut.sets[0].balls == whole.sets[0].balls[:20]
    assert cut.notes == ("set 1: 30 balls asked, 20 by the player's profile junior",)


@pytest.mark.parametrize(
    ("ball", "who", "says"),
    [
        (
            "rally-topspin",
            player("junior"),
            "rally-topspin: a ball of level club; beginner at most by the player's profile junior; "
            "nearest that is allowed: light-topspin",
        ),
        (
            "heavy-push",
            player("junior"),
            "heavy-push: a ball of level club; beginner at most by the player's profile junior; "
            "nearest that is allowed: light-push",
        ),
        (
            "rally-topspin",
            player("club", max_mps=8.0),
            "rally-topspin: 8.5 m/s; 8 m/s at most by the player's profile club; "
            "nearest that is allowed: slow-heavy-topspin",
        ),
        (
            "rally-topspin",
            player("club", max_rim_mps=12.0),
            "rally-topspin: it needs a rim at 13.7 m/s; 12 m/s at most by the player's profile club; "
            "nearest that is allowed: gentle-topspin",
        ),
        (
            "light-topspin",
            player("junior", max_mps=1.0),
            "light-topspin: 7 m/s; 1 m/s at most by the player's profile junior; no ball type is allowed here",
        ),
    ],
)
def test_a_ball_that_is_too_much_is_refused_with_the_nearest(ball: str, who: Player, says: str) -> None:
    """The refusal names the figure, whose limit it is, and the nearest ball type that this player gets here."""
    with pytest.raises(NotPossible) as refused:
        planned(drill_of([ball]), who)
    assert str(refused.value) == says


def test_a_locked_ball_waits_for_the_owners_word() -> None:
    """Refused to every level until its table in the configuration says otherwise; with nobody chosen thrown as ever."""
    drill = drill_of(["fast-topspin"])
    with pytest.raises(NotPossible, match=r"locked_balls = true in \[players\.advanced\]"):
        planned(drill, player("advanced"))
    assert planned(drill, player("advanced", locked_balls=True)).sets[0].balls == planned(drill, Player()).sets[0].balls


def test_variation_stays_below_the_limit_of_the_player() -> None:
    """A ball at the limit is varied downwards alone, and the plan says that some variations are left out."""
    drill = drill_of(["light-topspin"], vary={"speed_mps": 0.4})
    plan = planned(drill, player("junior", max_mps=7.0))
    assert {ball.speed_mps for ball in plan.sets[0].balls} == {6.6, 7.0}
    assert any("varied less than written" in note for note in plan.notes)


@pytest.mark.parametrize("verb", ["faster", "harder", "swap"])
def test_changes_do_not_pass_the_players_limits(verb: str) -> None:
    """What would pass a limit is refused with the reason; the plan before it stands."""
    drill = drill_of(["light-topspin"], 35, 20, harder=[{"title": "longer", "balls_change": 10}])
    plan = planned(drill, player("junior"))
    swap = ("light-topspin", "rally-topspin") if verb == "swap" else None
    with pytest.raises(NotPossible, match="by the player's profile junior"):
        change_plan(plan, verb, BALLS, CLUB, swap)
    assert change_plan(planned(drill, Player()), verb, BALLS, CLUB, swap) is not None


@pytest.mark.parametrize(
    ("balls", "who", "do"),
    [
        (["rally-topspin"], player("junior"), f"{text(ANOTHER_BALL)}; or {text(ANOTHER_LEVEL)}"),
        (["rally-topspin", "heavy-push"], player("junior"), f"{text(ANOTHER_BALL)}; or {text(ANOTHER_LEVEL)}"),
        (["rally-topspin"], player("advanced", max_mps=8.0), text(ANOTHER_BALL)),
        (["fast-topspin"], player("club"), text(ANOTHER_BALL)),
        (["fast-topspin", "rally-topspin"], player("junior"), text(ANOTHER_BALL)),
        (["rally-topspin", "nowhere"], player("junior"), text(USUAL_STEP)),
        (["forehand-side-topspin to forehand"], Player(), text(USUAL_STEP)),
    ],
    ids=["level", "two-alike", "no-higher-level", "locked", "locked-and-level", "unknown-too", "machine"],
)
def test_the_next_step_of_a_refusal_is_what_helps(balls: list[str], who: Player, do: str) -> None:
    """Against a player's limit another ball, and another level where a higher one may do; of several, what helps."""
    with pytest.raises(NotPossible) as refused:
        planned(drill_of(balls, sidespin="needed"), who)
    assert refused.value.do == do


@pytest.mark.parametrize(
    ("who", "tempo", "do"),
    [
        (player("junior"), 35, text(ANOTHER_LEVEL)),
        (player("advanced"), 75, "go on as it is; the owner sets the figures in [players.advanced]"),
        (Player(), CLUB.feeder.high_balls_per_min, text(USUAL_STEP)),
    ],
    ids=["junior", "advanced", "most-of-all"],
)
def test_the_next_step_where_faster_changes_nothing(who: Player, tempo: float, do: str) -> None:
    """At the tempo of a level another level helps, where there is a higher one; at the most of all nothing of both."""
    plan = planned(drill_of(["light-topspin"], tempo), who)
    with pytest.raises(NotPossible, match="would change nothing") as refused:
        change_plan(plan, "faster", BALLS, CLUB)
    assert refused.value.do == do


def test_the_next_step_where_the_feeder_is_too_quick_for_a_player() -> None:
    """A level that is slower than the feeder's least is refused; another level is named, not another machine."""
    slow = player("junior", max_per_min=KIT.feeder.low_balls_per_min - 1)
    with pytest.raises(NotPossible, match="this feeder makes") as refused:
        plan_drill(drill_of(["no-spin-steady"]), BALLS, KIT, 1, player=slow)
    assert refused.value.do == text(ANOTHER_LEVEL)


@pytest.mark.parametrize("level", PLAYER_LEVELS)
def test_the_shipped_balls_and_drills_of_a_level_are_for_its_players(level: PlayerLevel) -> None:
    """The house's figures let through every shipped ball of the level that isn't locked, and every drill of it."""
    who = player(level)
    for ball in BALLS.values():
        if ball.level == LEVEL_OF[level] and not ball.locked:
            assert all(objection(ball, machine, who.profile) is None for machine in (CLUB, PAN, ROLL, KIT))
    drills = [load_drill(name) for name in known("drills")]
    meant = [drill for drill in drills if drill.level == LEVEL_OF[level]]
    assert meant
    for drill in meant:
        assert planned(drill, who, "hall-roll").balls


def test_configuration_changes_single_figures(tmp_path: Path) -> None:
    """What a table of a level says stands over the house's default; what it leaves out is the default."""
    file = tmp_path / "drillfeed.toml"
    file.write_text("[players.junior]\nmax_per_min = 28\n", "utf-8")
    profiles = read_config(file, {}).players
    house = HOUSE_PROFILES.of("junior").caps
    assert profiles.of("junior").caps == house.model_copy(update={"max_per_min": 28.0})
    assert profiles.of("club") == HOUSE_PROFILES.of("club")


@pytest.mark.parametrize(
    ("text", "key", "allowed"),
    [
        ("[players.junior]\nfastest = 9\n", "players.junior.fastest", "no such key"),
        ("[players.senior]\nmax_mps = 9\n", "players.senior", "no such key"),
        ("[players.club]\nmax_per_min = 91\n", "players.club.max_per_min", "90.0 or less"),
        ("[players.club]\nmax_mps = 31\n", "players.club.max_mps", "30.0 or less"),
        ("[players.club]\nmax_set_balls = 121\n", "players.club.max_set_balls", "120 or less"),
        ('[players.junior]\nmax_ball_level = "junior"\n', "players.junior.max_ball_level", "'beginner', 'club'"),
        ("players = 7\n", "players", "valid dictionary"),
    ],
)
def test_mistakes_in_a_level_are_named(tmp_path: Path, text: str, key: str, allowed: str) -> None:
    """An unknown key, an unknown level and a figure past a hard bound are named by their place in the file."""
    file = tmp_path / "drillfeed.toml"
    file.write_text(text, "utf-8")
    with pytest.raises(InvalidFile) as caught:
        read_config(file, {})
    (mistake,) = caught.value.errors
    assert mistake.key == key and allowed in mistake.allowed


def test_the_page_about_drills_shows_the_houses_figures() -> None:
    """The table for writers of drills is the table that holds."""
    page = (Path(__file__).parents[2] / "daemon" / "drills" / "DRILLS.md").read_text("utf-8")
    rows = dict(re.findall(r"^\| ([^|]+?) \| ([^|]+ \| [^|]+ \| [^|]+?) \|", page, re.MULTILINE))
    shown = {
        "balls a minute, between any two": "max_per_min",
        "balls in a set": "max_set_balls",
        "level of ball types": "max_ball_level",
        "ball types marked `locked`": "locked_balls",
        "ball speed, m/s": "max_mps",
        "rim speed, m/s": "max_rim_mps",
        "share of the daily and weekly warning": "warn_share",
    }
    assert set(shown.values()) == set(Caps.model_fields)
    for row, key in shown.items():
        figures = [getattr(HOUSE_PROFILES.of(level).caps, key) for level in PLAYER_LEVELS]
        said = [
            "no" if figure is False else f"{figure:g}" if isinstance(figure, float) else str(figure)
            for figure in figures
        ]
        assert rows[row].split(" | ") == said
