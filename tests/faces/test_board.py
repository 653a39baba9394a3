"""The lines of the terminal that change while a person is waited for."""

from __future__ import annotations

from dataclasses import replace

from holdzero.cli.board import board, curve, outlook_lines
from holdzero.hooks import Asks, Prompt, Slot, SlotKind
from holdzero.live import Glance, Stand
from holdzero.outlook import Outlook, outlook_of
from holdzero.wording import small_text

READ = Prompt(
    slot=Slot(id="1", group="1", kind=SlotKind.READ),
    asks=Asks.READING,
    title="Read place a",
    say="",
    caution="",
    number=1,
    count=3,
    unit="um",
)
SOAK = Prompt(
    slot=Slot(id="1", group="1", kind=SlotKind.SOAK, at_least_s=600.0, within_um=0.1),
    asks=Asks.WAIT,
    title="Soak",
    say="",
    caution="",
    number=1,
    count=3,
    until_s=600.0,
)


def shown(prompt: Prompt, glance: Glance | None, *, width: int = 80, now_s: float = 60.0, blind: bool = False) -> str:
    lines = board(prompt, glance, now_s=now_s, units="mm", width=width, blind=blind)
    assert [line for line in lines if len(line) >= width] == []
    return "\n".join(lines)


def fading() -> Outlook:
    times = [5.0 * n for n in range(60)]
    found = outlook_of(times, [2.0 * 2.718281828 ** (-t / 100.0) for t in times], of="", unit="um", within=0.05)
    assert found is not None
    return found


def drifting() -> Outlook:
    times = [10.0 * n for n in range(40)]
    found = outlook_of(times, [0.1 * n for n in range(40)], of="", unit="um", within=0.1)
    assert found is not None
    return found


def live(stand: Stand, **more: object) -> Glance:
    return Glance(stand=stand, answer="+0.0012 mm", value_um=1.2, line="+0.0012", **more)  # type: ignore[arg-type]


class TestALiveValue:
    def test_stands_large_with_a_word_and_a_shape_for_how_it_stands(self) -> None:
        assert "■ STILL   Enter takes it" in shown(READ, live(Stand.STILL))
        assert "~ MOVING" in shown(READ, live(Stand.MOVING))
        assert len(shown(READ, live(Stand.STILL)).splitlines()) == 6

    def test_that_was_accepted_says_what_is_waited_for(self) -> None:
        assert "is taken when it stands still" in shown(READ, live(Stand.MOVING, taking=True))

    def test_that_is_lost_says_why(self) -> None:
        assert "✕ line is out: the cable is out" in shown(READ, live(Stand.LOST, why="the cable is out"))

    def test_has_a_chart_of_its_last_minute_but_not_where_the_routine_is_blind(self) -> None:
        glance = live(Stand.STILL, trace=[(t, 0.1 * t) for t in range(20)])
        assert "⠀" in shown(READ, glance)
        assert "⠀" not in shown(READ, glance, blind=True)

    def test_tells_how_near_it_is_to_rest(self) -> None:
        assert "drift now" in shown(READ, live(Stand.MOVING, outlook=fading()))

    def test_fits_a_narrow_terminal(self) -> None:
        assert "+1.2 µm" in " ".join(shown(READ, live(Stand.STILL), width=12).split())
        shown(READ, live(Stand.STILL, trace=[(t, 0.1 * t) for t in range(20)]), width=40)


class TestASoak:
    def test_shows_what_is_left_of_its_time(self) -> None:
        assert "9:00 to go" in shown(SOAK, None)

    def test_shows_drift_what_is_to_come_and_how_long_that_takes(self) -> None:
        outlook = fading()
        glance = Glance(stand=Stand.STILL, outlook=outlook)
        text = shown(SOAK, glance)
        assert f"still to come {small_text(outlook.to_come)} µm" in text
        assert "0.05 µm is allowed" in text
        assert "⠀" in text

    def test_whose_time_is_over_says_what_can_be_done(self) -> None:
        moving = replace(SOAK, outlooks=(drifting(),))
        assert "it is not at rest yet: wait, or type the reason" in shown(moving, None, now_s=700.0)
        assert len(shown(SOAK, None, now_s=700.0).splitlines()) == 1  # it ends by itself

    def test_says_temperatures(self) -> None:
        assert "part 20.31 °C" in shown(SOAK, Glance(stand=Stand.STILL, temperatures={"part": 20.31}))

    def test_that_only_drifts_has_no_end_in_sight(self) -> None:
        assert "no end in sight yet" in outlook_lines(drifting(), "mm")[0]

    def test_whose_counter_leapt_says_so_and_no_drift(self) -> None:
        times = [10.0 * n + 3600.0 * (n > 58) for n in range(60)]
        outlook = outlook_of(times, [0.0] * 60, of="", unit="um", within=0.1)
        assert outlook is not None
        assert outlook_lines(outlook, "mm") == [
            "it may have moved just now, or was not seen for a while: wait for more values"
        ]


class TestACurve:
    def test_of_points_that_are_all_alike_is_a_line(self) -> None:
        lines = curve([(t, 1.0) for t in range(10)], (), width=60, unit="µm")
        assert len(lines) == 5
        assert lines[0].startswith("       +1 µm ")

    def test_of_one_point_can_be_drawn(self) -> None:
        assert len(curve([(0.0, 0.0)], (), width=30, unit="µm")) == 5

    def test_rises_to_the_right(self) -> None:
        top, *_, bottom = curve([(t, float(t)) for t in range(100)], (), width=80, unit="µm")
        assert top.rstrip("⠀ ")[-1] != "m"
        assert bottom.index(next(sign for sign in bottom if sign > "⠀")) < top.index(
            next(sign for sign in top if sign > "⠀")
        )


class TestALiftedTip:
    def test_lets_nothing_below_the_curve_jump(self) -> None:
        lowered = Glance(stand=Stand.STILL, answer="+1.0 um", value_um=1.0, trace=[(float(n), 1.0) for n in range(9)])
        lifted = replace(lowered, stand=Stand.MOVING, trace=[(9.0, 40.0)])
        fitted = replace(lowered, outlook=fading())
        heights = {len(board(READ, glance, now_s=0.0, units="mm", width=80)) for glance in (lowered, lifted, fitted)}
        assert len(heights) == 1
