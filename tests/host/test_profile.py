"""pack.toml: what a person writes is read as meant, or refused with its line and what to do."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
from evenstring.chemistry import CHEMISTRIES, chemistry_named
from evenstring.errors import InputError
from evenstring.io.load import load_session, profile_of
from evenstring.ocv import curve, default_curve
from evenstring.profile import RULES, PackProfile, load_profile, parse_profile, to_toml
from evenstring.sim.scenario.frames import session_frames

from tests.host.looks import a_day

WHOLE = """[pack]
name = "an invented string"
groups = 20
chemistry = "nmc"
capacity_ah = 20.0
[limits]
ceiling_v = 4.22
[balancer]
bleed_ma = 80
rule = "odd_even"
"""


def refused(text: str) -> str:
    with pytest.raises(InputError) as caught:
        parse_profile(text, "mine.toml")
    message = str(caught.value)
    assert "\n" not in message
    assert len(message) < 300
    return message


@pytest.mark.parametrize(
    ("change", "line", "said"),
    [
        (("ceiling_v", "celling_v"), 7, "did you mean 'ceiling_v'"),
        (("bleed_ma", "bleed_mA"), 9, "did you mean 'bleed_ma'"),
        (("[limits]", "[limit]"), 6, "did you mean 'limits'"),
        (("capacity_ah", "capacity"), 5, "did you mean 'capacity_ah'"),
        (("groups = 20", 'groups = "20"'), 3, 'a whole number written without quotes, not "20"'),
        (("groups = 20", "groups = 20.5"), 3, "whole number, not 20.5"),
        (("20.0", "20000"), 5, "at most 2000 (ampere-hours; a cell's label may give mAh)"),
        (("20.0", "1e-300"), 5, "at least 0.05"),
        (("20.0", "9" * 4000), 5, "at most 2000"),
        (("ceiling_v = 4.22", "ceiling_v = 4220"), 7, "at most 5.5"),
        (("ceiling_v = 4.22", "ceiling_v = 4.1"), 6, "must rise"),
        (('"nmc"', '"lithum iron phosphate"'), 4, "did you mean 'lfp'"),
        (('"nmc"', '"agm"'), 4, "use one of nmc, nca, lco, lfp"),
        (('"nmc"', "811"), 4, "chemistry must be text in quotes"),
    ],
)
def test_a_slip_is_refused_with_its_line_and_what_was_meant(change: tuple[str, str], line: int, said: str) -> None:
    message = refused(WHOLE.replace(*change))

    assert message.startswith(f"mine.toml, line {line}: ")
    assert said in message


def test_a_number_too_long_to_read_is_one_clear_line() -> None:
    assert "far too many digits" in refused(WHOLE.replace("20.0", "9" * 5000))


def test_every_key_of_every_table_is_refused_when_a_letter_is_added() -> None:
    for table, rules in RULES.items():
        for key in rules:
            text = "[pack]\ngroups = 20\n" + (f"[{table}]\n" if table != "pack" else "") + f"{key}x = 1\n"
            assert f"did you mean {key!r}" in refused(text)


def test_a_byte_order_mark_and_windows_lines_are_read(tmp_path: Path) -> None:
    path = tmp_path / "pack.toml"
    path.write_bytes(b"\xef\xbb\xbf" + WHOLE.replace("\n", "\r\n").encode())

    assert load_profile(path).groups == 20


def test_text_that_is_not_utf8_is_one_clear_line(tmp_path: Path) -> None:
    path = tmp_path / "pack.toml"
    path.write_bytes(WHOLE.encode("utf-16"))

    with pytest.raises(InputError, match=r"cannot read this pack profile"):
        load_profile(path)


@pytest.mark.parametrize(
    ("written", "key"),
    [
        ("LiFePO4", "lfp"), ("lifepo4", "lfp"), ("LFP", "lfp"), ("li-ion LFP", "lfp"),
        ("Lithium Iron Phosphate", "lfp"),
        ("NMC811", "nmc"), ("nmc 532", "nmc"), ("NCM523", "nmc"), ("li-ion nmc", "nmc"), ("Li-NMC", "nmc"),
        ("NMC Li-ion", "nmc"), ("LiCoO2", "lco"), ("NCA", "nca"), ("lithium-ion nca", "nca"),
    ],
)  # fmt: skip
def test_common_spellings_of_a_chemistry_are_understood(written: str, key: str) -> None:
    assert parse_profile(f'[pack]\ngroups = 4\nchemistry = "{written}"\n').chemistry == key


@pytest.mark.parametrize("written", ["Li-Ion", "lithium", "LiPo"])
def test_a_label_that_says_only_lithium_is_asked_by_its_voltage(written: str) -> None:
    with pytest.raises(InputError, match="when full is mostly 'nmc'"):
        chemistry_named(written)


@pytest.mark.parametrize("written", ["", "lead acid", "nickel"])
def test_a_family_or_another_chemistry_is_not_guessed(written: str) -> None:
    with pytest.raises(InputError, match="is not known"):
        chemistry_named(written)


@pytest.mark.parametrize("key", CHEMISTRIES)
def test_a_row_of_the_chemistries_holds_together(key: str) -> None:
    row = CHEMISTRIES[key]
    ends = default_curve(key).voltage_v([0.0, 1.0])

    assert row.discard_v < row.empty_v < row.threshold_v < row.full_v < row.ceiling_v
    assert all(curve(name).name == name for name in row.curves)
    assert ends[0] < row.empty_v + 0.05  # the assumed curve covers what lies between the limits
    assert ends[1] > row.full_v - 0.05
    assert all(chemistry_named(word) == key for word in (key, key.upper(), *row.spellings))


def test_what_was_given_is_written_and_read_again_alike() -> None:
    profile = parse_profile(WHOLE)

    assert parse_profile(to_toml(profile)) == profile
    assert "ceiling_v = 4.22" in to_toml(profile)
    assert "full_v" not in to_toml(profile)  # a default stays one


def test_a_key_of_a_later_version_in_a_recording_does_not_shut_it(tmp_path: Path) -> None:
    path = tmp_path / "later.frames"
    session = a_day(50, 4)
    toml = f"[pack]\ngroups = {session.groups}\ncapacity_ah = 18\nnot_thought_of = 1\n[later]\nx = 2\n"
    path.write_bytes(session_frames(session, toml, "invented"))

    assert profile_of(load_session([path])).capacity_ah == 18


@pytest.mark.parametrize("name", ["a\x7fb", 'quote " and \\ and tab \t', "\u202eturned", "Äußerer Strang"])
def test_a_name_of_any_letters_reads_back_from_the_recording(name: str) -> None:
    """DEL in a name once made a recording that `report` refused."""
    profile = replace(PackProfile(groups=4), name=name)

    assert parse_profile(to_toml(profile)).name == name


def test_a_name_that_would_not_fit_into_a_frame_is_refused() -> None:
    with pytest.raises(InputError, match="at most 200 characters, and has 4,200"):
        parse_profile(f'[pack]\ngroups = 4\nname = "{"x" * 4200}"\n')


def test_a_number_too_long_to_be_written_out_is_refused_in_one_line() -> None:
    with pytest.raises(InputError, match="20 digits or more"):
        parse_profile(f"[pack]\ngroups = 0x{'f' * 5000}\n")
