"""Capture room: stimulus files, their dirt, and whose clock they run on."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from swapbridge.capture.capture import Capture
from swapbridge.capture.stimulus import Channel, StimulusTrack, read_stimulus, write_stimulus
from swapbridge.core.errors import InputError

Make = Callable[..., Capture]


def read(tmp_path: Path, text: str) -> StimulusTrack:
    path = tmp_path / "stimulus.csv"
    path.write_text(text)
    return read_stimulus(path)


def test_numbers_switches_and_words(tmp_path: Path) -> None:
    track = read(
        tmp_path,
        "time_s,channel,value,unit\n"
        "1.5,engine_speed,800,rpm\n1.6,brake,off\n1.7,lever,P\n2.5,engine_speed,812.5\n# a mark\n\n"
        "2.6,brake,ON,\n2.7,lever,R\n2.8,lever,P\n2.9,brake,0\n",
    )
    speed, brake, lever = (track.channels[name] for name in ("engine_speed", "brake", "lever"))
    assert speed.time_s.tolist() == [1.5, 2.5]
    assert speed.value.tolist() == [800.0, 812.5]
    assert (speed.unit, speed.texts) == ("rpm", ())
    assert brake.value.tolist() == [0.0, 1.0, 0.0]
    assert lever.texts == ("P", "R")
    assert lever.value.tolist() == [0.0, 1.0, 0.0]
    assert track.notes.sentences() == []


def test_a_header_is_optional(tmp_path: Path) -> None:
    assert read(tmp_path, "0.5,rpm,1\n1.5,rpm,2\n").channels["rpm"].value.tolist() == [1.0, 2.0]
    assert read(tmp_path, "\ufeffTime_s , Channel,Value\n0.5, rpm ,1\n").channels["rpm"].value.tolist() == [1.0]


def test_lever_positions_with_numbers_among_them_are_words(tmp_path: Path) -> None:
    track = read(tmp_path, "".join(f"{i},lever,{v}\n" for i, v in enumerate("PPRND12DP")))
    assert track.channels["lever"].texts == ("P", "R", "N", "D", "1", "2")


def test_dirt_is_left_out_and_counted(tmp_path: Path) -> None:
    rows = [f"{i / 10},rpm,{800 + i}" for i in range(40)]
    rows[5:5] = ["", "0.45,rpm", "x,rpm,1", "0.46,rpm,nan,,,", "inf,rpm,1", "0.47,,1", "0.48,rpm,8o0"]
    rows.append("3.95,rp")
    track = read(tmp_path, "\n".join(rows))
    assert track.channels["rpm"].value.tolist() == [800.0 + i for i in range(40)]
    assert track.notes.unreadable_lines == 7
    assert "8o0" in " ".join(track.notes.examples) or track.notes.unreadable_lines > len(track.notes.examples)


def test_times_out_of_order_are_sorted_and_told(tmp_path: Path) -> None:
    track = read(tmp_path, "2,rpm,20\n1,rpm,10\n3,rpm,30\n")
    assert track.channels["rpm"].value.tolist() == [10.0, 20.0, 30.0]
    assert track.notes.clock_steps_back == 1


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "is empty"),
        ("time_s,channel,value\n", "holds no rows"),
        ("hello\nworld\n1,rpm,800\n", "line 1: 1 values instead of 3 or 4"),
        ("time_s,channel,value\nhalf past,rpm,1\n", "line 2: 'half past' is not a time"),
        ("1,,800\n", "line 1: the channel or the value is empty"),
        ("1,rpm,8,rpm\n2,rpm,9\n3,rpm,1,kPa\n", "line 3: channel rpm is in 'kPa' here and in 'rpm' on line 1"),
        ("1;rpm;800\n2;rpm;801\n", "line 1: 1 values"),
    ],
)
def test_errors_say_the_line(tmp_path: Path, text: str, words: str) -> None:
    with pytest.raises(InputError, match=words):
        read(tmp_path, text)


def test_a_missing_file(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="can't read"):
        read_stimulus(tmp_path / "none.csv")


names = st.text(st.characters(codec="utf-8", exclude_categories=("Cs", "Cc", "Zs")), min_size=1, max_size=8).filter(
    lambda s: s.strip() == s and not s.startswith(("#", "\ufeff"))
)
numbers = st.floats(-1e9, 1e9).filter(lambda v: v == 0 or abs(v) > 1e-200)


@st.composite
def channels(draw: st.DrawFn) -> Channel:
    name = draw(names)
    count = draw(st.integers(1, 6))
    time_s = np.array(sorted(draw(st.lists(numbers, min_size=count, max_size=count))))
    if draw(st.booleans()):
        return Channel(name, time_s, np.array(draw(st.lists(numbers, min_size=count, max_size=count))), draw(names))
    words = [f"word {i}" for i in draw(st.permutations(range(count)))]
    return Channel(name, time_s, np.arange(count, dtype=np.float64), "", tuple(words))


@settings(deadline=None)
@given(st.lists(channels(), min_size=1, max_size=4, unique_by=lambda channel: channel.name))
def test_round_trip(tmp_path_factory: pytest.TempPathFactory, made: list[Channel]) -> None:
    path = tmp_path_factory.getbasetemp() / "s.csv"
    write_stimulus(StimulusTrack({channel.name: channel for channel in made}), path)
    back = read_stimulus(path).channels
    assert sorted(back) == sorted(channel.name for channel in made)
    for channel in made:
        read_back = back[channel.name]
        assert read_back.time_s.tolist() == channel.time_s.tolist()
        assert read_back.value.tolist() == channel.value.tolist()
        assert (read_back.unit, read_back.texts) == (channel.unit, channel.texts)


@settings(deadline=None)
@given(st.text(st.characters(codec="utf-8"), max_size=60))
def test_any_text_gives_a_track_or_one_error(tmp_path_factory: pytest.TempPathFactory, text: str) -> None:
    path = tmp_path_factory.getbasetemp() / "junk.csv"
    path.write_bytes(text.encode())
    try:
        found = len(read_stimulus(path).channels)
    except InputError as error:
        found = len(str(error))
    assert found > 0


def at(make_capture: Make, first_s: float, last_s: float) -> Capture:
    return make_capture([(round(t * 1e9), 0x1, 0, 0, b"", 0) for t in (first_s, last_s)])


def track_of(*times: float) -> StimulusTrack:
    return StimulusTrack({"rpm": Channel("rpm", np.array(times), np.zeros(len(times)))}, "s.csv")


def test_the_clock_is_the_one_under_which_they_overlap(make_capture: Make) -> None:
    drive = at(make_capture, 1_700_000_000.0, 1_700_000_100.0)
    absolute = track_of(1_700_000_001.0, 1_700_000_002.0)
    assert absolute.on_clock_of(drive).channels["rpm"].time_s.tolist() == [1_700_000_001.0, 1_700_000_002.0]
    relative = track_of(1.0, 2.0)
    assert relative.on_clock_of(drive).channels["rpm"].time_s.tolist() == [1_700_000_001.0, 1_700_000_002.0]
    assert relative.on_clock_of(drive, "relative").channels["rpm"].time_s[0] == 1_700_000_001.0


def test_a_capture_whose_clock_begins_at_zero_needs_no_choice(make_capture: Make) -> None:
    assert track_of(5.0).on_clock_of(at(make_capture, 0.0, 10.0)).channels["rpm"].time_s.tolist() == [5.0]


def test_both_or_neither_clock_is_refused_with_what_to_say(make_capture: Make) -> None:
    with pytest.raises(InputError, match=r"both clocks fit; use --stimulus-time"):
        track_of(15.0, 25.0).on_clock_of(at(make_capture, 10.0, 40.0))
    assert track_of(15.0).on_clock_of(at(make_capture, 10.0, 40.0), "absolute").channels["rpm"].time_s[0] == 15.0
    with pytest.raises(InputError, match=r"s\.csv from 500\.000 to 501\.000 s .* do not overlap"):
        track_of(500.0, 501.0).on_clock_of(at(make_capture, 1000.0, 1010.0))
    with pytest.raises(InputError, match="do not overlap"):
        track_of(1.0).on_clock_of(at(make_capture, 1000.0, 1010.0), "absolute")
    with pytest.raises(InputError, match="contains no frames to align"):
        track_of(1.0).on_clock_of(make_capture([]))
