from fractions import Fraction
from itertools import pairwise, permutations

from hypothesis import given
from hypothesis import strategies as st

from syncbox.midi.wire import BYTE_US, BurstPart, burst_plan, burst_us, wire_us
from syncbox.score.rig import Wire

parts = st.builds(
    BurstPart, byte_count=st.sampled_from([2, 3, 8, 40]), loading_us=st.integers(0, 90_000)
)
tempi = st.one_of(st.none(), st.fractions(20, 400, max_denominator=1000))


def finish_times_us(plan, burst, clock_qpm, phase_us):
    """When each part's last byte is over, byte by byte on a simulated DIN wire, 0 at the bar line.

    A dumb model: at each free moment the wire takes a clock if one is due, else the
    next byte of the first part that has been handed over.
    """
    clock_us = Fraction(60_000_000) / (clock_qpm * 24) if clock_qpm else None
    waiting = [[-lead.lead_us, burst[lead.index].byte_count, lead.index] for lead in plan]
    now = Fraction(waiting[0][0])
    due_clock = now + phase_us if clock_us else None
    finished = {}
    while waiting:
        if due_clock is not None and due_clock <= now:
            now, due_clock = now + BYTE_US, due_clock + clock_us
        elif waiting[0][0] <= now:
            waiting[0][1] -= 1
            now += BYTE_US
            if waiting[0][1] == 0:
                finished[waiting.pop(0)[2]] = now
        else:
            now = min(t for t in (due_clock, waiting[0][0]) if t is not None)
    return finished


@given(st.lists(parts, min_size=1, max_size=8), tempi, st.integers(-BYTE_US, 130_000))
def test_every_part_is_sent_and_loaded_at_the_bar_line(burst, clock_qpm, phase_us):
    plan = burst_plan(burst, Wire.DIN, clock_qpm)
    for index, finish_us in finish_times_us(plan, burst, clock_qpm, phase_us).items():
        assert finish_us + burst[index].loading_us <= 0


@given(st.lists(parts, max_size=12), st.sampled_from(Wire), tempi)
def test_a_plan_holds_every_part_once_and_leads_never_grow(burst, wire, clock_qpm):
    plan = burst_plan(burst, wire, clock_qpm)
    assert sorted(lead.index for lead in plan) == list(range(len(burst)))
    assert all(a.lead_us >= b.lead_us for a, b in pairwise(plan))
    assert all(lead.lead_us >= burst[lead.index].loading_us for lead in plan)


@given(st.lists(parts, min_size=1, max_size=4))
def test_no_other_order_starts_later(burst):
    def lead_of(order):
        return max(
            sum(wire_us(part.byte_count, Wire.DIN) for part in order[: n + 1]) + order[n].loading_us
            for n in range(len(order))
        )

    best = min(lead_of(order) for order in permutations(burst))
    assert burst_plan(burst, Wire.DIN, None)[0].lead_us == best


def test_usb_needs_only_the_loading_time_and_keeps_the_order_given():
    burst = [BurstPart(8, 0), BurstPart(8, 40_000), BurstPart(8, 0)]
    plan = burst_plan(burst, Wire.USB, Fraction(120))
    assert [(lead.index, lead.lead_us) for lead in plan] == [(1, 40_000), (0, 0), (2, 0)]


def test_nothing_to_send_takes_no_time():
    assert burst_plan([], Wire.DIN, Fraction(120)) == ()
    assert burst_us(0, Wire.DIN, Fraction(120)) == 0
