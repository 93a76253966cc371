import pytest

from syncbox.drivers.gaps import CONFIRMING_BLOCKS, GapFinder

BLOCK_S = 256 / 48_000


def gaps_told(lost_blocks, late_ms):
    """What is said after an underflow: each time is told `late_ms` later than its block."""
    gaps = GapFinder(48_000)
    told, frame = [], 0
    for block in range(12 + CONFIRMING_BLOCKS):
        gone = lost_blocks if block >= 10 else 0
        late_s = late_ms[block - 10] / 1000 if 10 <= block < 10 + len(late_ms) else 0.0
        card_s = (block + gone) * BLOCK_S + late_s
        told.append(gaps.lost_frames(card_s, underflow=block == 10))
        frame += told[-1]
        gaps.block(frame, 256, card_s)
        frame += 256
    return told


@pytest.mark.parametrize("lost_blocks", [0, 1, 2, 19])
@pytest.mark.parametrize("late_ms", [[0, 0, 0, 0], [9, 4, 1.5, 0.2], [2, 0.1, 7, 3]])
def test_a_gap_is_told_once_in_whole_blocks_when_it_is_sure(lost_blocks, late_ms):
    """Callbacks that come late after the underflow are no frames lost."""
    told = gaps_told(lost_blocks, late_ms)
    assert [lost for lost in told if lost] == [lost_blocks * 256] * bool(lost_blocks)
    if lost_blocks:
        assert told.index(lost_blocks * 256) == 9 + CONFIRMING_BLOCKS


def test_underflows_without_an_end_are_told_now_and_then():
    gaps = GapFinder(48_000)
    gaps.block(0, 256, 0.0)
    frame, told = 256, []
    for block in range(1, 200):
        card_s = block * 2 * BLOCK_S  # each second block is lost
        told.append(gaps.lost_frames(card_s, underflow=True))
        frame += told[-1]
        gaps.block(frame, 256, card_s)
        frame += 256
    assert 2 <= len([lost for lost in told if lost]) <= 4
    assert all(lost % 256 == 0 for lost in told)


def test_a_second_gap_while_the_first_is_measured_is_told_too():
    gaps = GapFinder(48_000)
    frame, told = 0, []
    for block in range(40):
        gone = (block >= 10) + 2 * (block >= 12)
        card_s = (block + gone) * BLOCK_S
        told.append(gaps.lost_frames(card_s, underflow=block in (10, 12)))
        frame += told[-1]
        gaps.block(frame, 256, card_s)
        frame += 256
    assert sum(told) == 3 * 256


@pytest.mark.parametrize("doubled", [1, 2])
def test_blocks_that_were_made_in_vain_are_made_up_for(doubled):
    """Called twice for one block, the frames run ahead of the card; silence brings them back."""
    gaps = GapFinder(48_000)
    frame, card, told, silent = 0, 0, [], 0
    for call in range(60):
        card += 0 if 10 <= call < 10 + doubled else 1  # which block of the card this call is for
        if silent:
            silent -= 1
            continue
        lost = gaps.lost_frames(card * BLOCK_S, underflow=call == 10 + doubled)
        if lost < 0:
            told.append(lost)
            silent = -lost // 256 - 1
            continue
        gaps.block(frame, 256, card * BLOCK_S)
        frame += 256
    assert told == [-256 * doubled]
    assert frame // 256 == card, "one block for each of the card's"
