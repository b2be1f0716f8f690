"""Evidence: page, JSON and PDF say the same; whoever has the recordings comes to the same; each tampering is named.

The PDF is read back with pypdf, checksums are those of hashlib (FIPS 180-4).
"""

from __future__ import annotations

import hashlib
import io
import json
import re
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pypdf
import pytest
from click.testing import CliRunner, Result
from evenstring.cli import cli
from evenstring.errors import InputError
from evenstring.logbook.evidence.again import wishes_from
from evenstring.logbook.evidence.document import facts_in
from evenstring.logbook.evidence.facts import Facts
from evenstring.logbook.evidence.page import evidence_page
from evenstring.logbook.evidence.verify import read_document, verify
from evenstring.workshop.paper.evidence_sheet import evidence_pdf

from tests.host.logbook.a_logbook import NAME, a_charge, a_logbook

MADE_BY = "evenstring 0.1.0"
WILD = '#panic("x") <script>alert(1)</script> \x1b[31m \u202egnp.exe ' + "long " * 60


def run(*args: str | Path) -> Result:
    return CliRunner().invoke(cli, ["logbook", *map(str, args)])


@pytest.fixture(scope="module")
def months(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Evidence of ten charges, one group of which falls behind; on paper too."""
    folder = tmp_path_factory.mktemp("months")
    done = run("evidence", NAME, "--logbook", a_logbook(folder, 10), "-o", folder / "out", "--paper", "--copy")
    assert done.exit_code == 0, done.output
    return folder / "out"


@pytest.fixture(scope="module")
def few(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Evidence of two charges, recordings beside it."""
    folder = tmp_path_factory.mktemp("few")
    done = run("evidence", "--logbook", a_logbook(folder, 2), "-o", folder / "out", "--copy")
    assert done.exit_code == 0, done.output
    return folder / "out"


def numbers(folder: Path) -> dict[str, Any]:
    return dict(json.loads((folder / "evidence.json").read_bytes()))


def squeezed(text: str) -> str:
    return re.sub(r"\s+", "", text.replace("\ufb01", "fi").replace("\ufb02", "fl").replace("\ufb00", "ff"))


def pages_of(pdf: bytes) -> list[str]:
    return [page.extract_text() for page in pypdf.PdfReader(io.BytesIO(pdf)).pages]


@pytest.mark.slow
def test_the_first_screen_says_what_to_do_next_charge_and_about_which_group(months: Path) -> None:
    page = (months / "evidence.html").read_text()
    first = page[page.index("<main>") : page.index("</header>")]

    assert first.index("Next charge:") < first.index("since about")
    assert "group 3 falls behind" in first
    assert not re.search(r"""(src|href)=["']?https?:""", page)  # self-contained


@pytest.mark.slow
def test_paper_has_two_pages_and_an_appendix_with_the_numbers_of_the_json(months: Path) -> None:
    doc, pages = numbers(months), pages_of((months / "evidence.pdf").read_bytes())
    text = [squeezed(page) for page in pages]

    assert [k for k, page in enumerate(pages) if page.startswith("Appendix")] == [2]
    assert all(squeezed(part) in text[0] for part in (doc["headline"], doc["next_charge"], NAME, "cankill"))
    assert all(squeezed(one["said"]) in text[0] and squeezed(one["do"]) in text[1] for one in doc["standing"])
    assert all(squeezed(line) in text[1] for line in doc["cannot_say"])
    assert len(doc["trends"]) >= 2
    for one in doc["trends"]:
        row = rf"{one['since'][:10]} to {one['until'][:10]}" + 3 * r"\s+([+\u2212][\d.]+)"
        found = [m for m in re.findall(row, pages[1]) if one_of(m, one)]
        assert found, one["what"]
    appendix = "".join(text[2:])
    for one in doc["recordings"]:
        assert f"{one['file']}{one['bytes']:,}{one['sha256']}" in appendix
        assert "{:.1f}({:.1f}to{:.1f})".format(*one["spread_end_mv"]) in appendix


def one_of(shown: tuple[str, ...], trend: dict[str, Any]) -> bool:
    """Whether figures as shown are those of a trend, to the last digit that is shown."""
    read = [(float(text.replace("\u2212", "-")), len(text.partition(".")[2])) for text in shown]
    keys = ("a_week", "low", "high")
    return all(abs(v - trend[key]) <= 0.51 * 10.0**-d for (v, d), key in zip(read, keys, strict=True))


@pytest.mark.slow
def test_checksums_are_those_of_the_files_and_the_page_holds_that_of_the_json(months: Path) -> None:
    copies = {hashlib.sha256(p.read_bytes()).hexdigest() for p in (months / "recordings").iterdir()}
    of_json = hashlib.sha256((months / "evidence.json").read_bytes()).hexdigest()

    assert copies == {one["sha256"] for one in numbers(months)["recordings"]}
    assert of_json in (months / "evidence.html").read_text()
    assert of_json in squeezed(pages_of((months / "evidence.pdf").read_bytes())[1])


@pytest.mark.slow
def test_wild_names_and_many_warnings_stay_text_on_two_pages(months: Path) -> None:
    doc = numbers(months)
    doc["pack"] |= {"name": WILD, "vehicle": WILD, "string_name": WILD}
    doc["standing"] *= 9
    doc["trends"] *= 9
    doc["cleared"] = [{"group": 1, "at": "2026-02-01T00:00:00Z", "lowest_v": 1.5, "reason": WILD}] * 30

    pages, page = pages_of(evidence_pdf(doc)), evidence_page(doc)

    assert [k for k, text in enumerate(pages) if text.startswith("Appendix")] == [2]
    assert "Received by" in pages[1]
    assert '#panic("x")' in pages[0]
    assert "<script>alert" not in page
    assert "\u202e" not in page + "".join(pages)


@pytest.mark.slow
def test_whoever_gets_the_folder_can_compute_it_again_without_the_logbook(few: Path, tmp_path: Path) -> None:
    shutil.copytree(few, tmp_path / "got")

    done = run("evidence", "--verify", tmp_path / "got", "--logbook", tmp_path / "none")

    assert done.exit_code == 0, done.output
    assert "2 recordings looked at again: everything" in done.output
    assert not (tmp_path / "none").exists()


def edited(change: Callable[[dict[str, Any]], Any]) -> Callable[[Path], None]:
    def edit(folder: Path) -> None:
        doc = numbers(folder)
        change(doc)
        (folder / "evidence.json").write_text(json.dumps(doc))
        (folder / "evidence.html").write_text(evidence_page(doc))

    return edit


def shown_page(folder: Path) -> None:
    page = folder / "evidence.html"
    page.write_text(page.read_text().replace("2 recordings", "9 recordings"))


def reason_alone(folder: Path) -> None:
    doc = numbers(folder)
    doc["cleared"].append({"group": 2, "at": "2026-02-01T00:00:00Z", "lowest_v": 1.9, "reason": "cells replaced"})
    (folder / "evidence.json").write_text(json.dumps(doc))


def other_bytes(folder: Path) -> None:
    first = sorted((folder / "recordings").iterdir())[0]
    first.write_bytes(first.read_bytes()[:-1] + b"\x01")


TAMPERED: dict[str, tuple[Callable[[Path], None], str]] = {
    "a file is gone": (lambda f: (f / "recordings" / "charge-01.frames").unlink(), r"charge-01.*was not found"),
    "a file is another": (other_bytes, r"charge-00.*checksum differs"),
    "a spread": (
        edited(lambda d: d["recordings"][0].update(spread_end_mv=[1.0, 0.5, 1.5])),
        r"charge-00.*spread_end_mv",
    ),
    "a group": (
        edited(lambda d: d["recordings"][1]["entry"]["departure_mv"].__setitem__(2, 0.0)),
        r"departure_mv\[3\]",
    ),
    "a verdict": (edited(lambda d: d["recordings"][1].update(action="ride")), r"action: ride is written"),
    "a meter": (
        edited(lambda d: d["recordings"][1]["meter"].update(channel_u_mv=0.1)),
        r"channel_u_mv: 0.1 is written",
    ),
    "a profile": (edited(lambda d: d["recordings"][0].update(pack_toml="[pack]\ngroups = 7\n")), r"says 7 groups"),
    "a date": (edited(lambda d: d["recordings"][0].update(start="2020-01-01T00:00:00Z")), r"start: 2020-01-01"),
    "the headline": (edited(lambda d: d.update(headline="As good as new")), r"headline: As good as new is written"),
    "a warning less": (edited(lambda d: d["standing"].clear()), r"standing: 0 items is written"),
    "a limit less": (edited(lambda d: d["cannot_say"].pop()), r"cannot_say: "),
    "a recording less": (edited(lambda d: d["recordings"].pop()), r"period\.recordings: 2 is written, 1 follows"),
    "a reason": (reason_alone, r"evidence\.html: is not the page"),
    "the page": (shown_page, r"evidence\.html: is not the page"),
}


@pytest.mark.slow
@pytest.mark.parametrize("what", TAMPERED)
def test_each_tampering_is_named_and_ends_with_1(what: str, few: Path, tmp_path: Path) -> None:
    shutil.copytree(few, tmp_path / "got")
    tamper, said = TAMPERED[what]
    tamper(tmp_path / "got")

    done = run("evidence", "--verify", tmp_path / "got", "--logbook", tmp_path / "none")

    assert re.search(said, done.output)
    assert "not as it is written" in str(done.exception)


@pytest.mark.slow
def test_another_version_is_said_and_alone_is_no_fault(few: Path, tmp_path: Path) -> None:
    shutil.copytree(few, tmp_path / "got")
    edited(lambda d: d.update(made_by="evenstring 0.0.9"))(tmp_path / "got")

    done = run("evidence", "--verify", tmp_path / "got" / "evidence.json", "--logbook", tmp_path / "none")

    assert done.exit_code == 0
    assert re.search("written by evenstring 0.0.9[,;]", done.output)


@pytest.mark.parametrize(
    "text", ["", "{}", "[]", "null", '{"format": "evenstring-evidence/1"}', '{"format": "x/2"}', "\xff"]
)
def test_what_is_no_evidence_is_refused_in_words(text: str, tmp_path: Path) -> None:
    (tmp_path / "evidence.json").write_bytes(text.encode("latin-1"))

    done = run("evidence", "--verify", tmp_path, "--logbook", tmp_path / "none")

    assert "evidence.json" in str(done.exception)
    assert type(done.exception).__name__ == "InputError"


def leaves(value: Any, path: tuple[Any, ...] = ()) -> list[tuple[Any, ...]]:
    items = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    return [leaf for key, one in items for leaf in leaves(one, (*path, key))] or [path]


def test_any_number_of_a_recording_that_is_nudged_is_noticed_without_the_page(few: Path) -> None:
    """Numbers at random places, seeded; the findings are taken as they were, so that only the comparison is at work."""
    right = {one.sha256: one for one in facts_in(numbers(few))}
    by_number = {one.number: one for one in right.values()}
    own = {
        "number",
        "bytes",
        "sha256",
        "file",
        "kept",
        "made_by",
        "wishes",
    }  # of the file and the logbook, not found in it
    doc = numbers(few)
    places = [p for p in leaves(doc["recordings"]) if p[1] not in own]
    rng = np.random.default_rng(3)
    files = {one.number: few / "recordings" / one.file for one in right.values()}

    def known(_path: Path, written: Facts) -> Facts:
        return by_number[written.number]

    missed, tried = [], 0
    for k in rng.permutation(len(places))[:150]:
        *way, last = places[int(k)]
        changed = numbers(few)
        at = changed["recordings"]
        for key in way:
            at = at[key]
        if isinstance(at[last], bool) or not isinstance(at[last], int | float):
            continue
        at[last] = type(at[last])(at[last] * 1.01 + 1.0)
        tried += 1
        if not list(verify(changed, None, lambda one: files[one.number], MADE_BY, known)):
            missed.append(places[int(k)])

    assert tried > 30
    assert missed == []


@pytest.mark.slow
def test_a_profile_given_when_it_was_added_and_a_table_are_computed_again_alike(tmp_path: Path) -> None:
    frames = a_charge(tmp_path / "charge.frames", 0)
    (tmp_path / "pack.toml").write_text(
        '[pack]\nname = "x"\ngroups = 6\ncapacity_ah = 12.5\n[balancer]\nbleed_ma = 80\n'
    )
    assert CliRunner().invoke(cli, ["export", str(frames), "--to", "csv", "-o", str(tmp_path / "c.csv")]).exit_code == 0
    book = ["--logbook", tmp_path / "book"]
    as_x = ["--pack", tmp_path / "pack.toml", "--name", "x", *book]
    for file in ([frames], [tmp_path / "c.csv", "--start", "2025-06-01 10:00"]):
        added = run("add", *file, *as_x)
        assert added.exit_code == 0, added.output

    for string in ("left", ""):
        out = tmp_path / f"out{string}"
        assert run("evidence", "x", "--string", string, "-o", out, *book).exit_code == 0
        done = run("evidence", "--verify", out, *book)
        assert done.exit_code == 0, done.output
        one = read_document(out / "evidence.json")["recordings"][0]
        assert "capacity_ah = 12.5" in one["pack_toml"]
        assert one["start"][:4] == ("2026" if string else "2025")  # what was said of the table counts


@pytest.mark.slow
def test_which_pack_is_asked_where_there_are_several_and_nothing_is_replaced(few: Path, tmp_path: Path) -> None:
    book = ["--logbook", tmp_path / "book"]
    for k, name in enumerate(("one", "two")):
        assert run("add", a_charge(tmp_path / f"{name}.frames", k, name=name), *book).exit_code == 0

    several, none = (run("evidence", *name, "-o", tmp_path / "out", *book) for name in ([], ["three"]))
    again = run("evidence", "one", "-o", few, *book)

    assert "which pack?" in str(several.exception)
    assert "no recordings of it" in str(none.exception)
    assert "exists already" in str(again.exception)
    assert not (tmp_path / "out").exists()


@pytest.mark.slow
def test_wild_values_anywhere_are_told_as_differences_or_refused_in_words(few: Path, tmp_path: Path) -> None:
    """Any place of the document replaced by what does not belong there, seeded; nothing ends in a traceback."""
    wild: list[Any] = [None, "", "x", -1, 1e308, True, [], {}, [[[]]], {"a": 1}, "\u202e\x1b", "9999999", float("nan")]
    right, file = {one.number: one for one in facts_in(numbers(few))}, few / "recordings" / "charge-00.frames"

    def known(_path: Path, written: Facts) -> Facts:
        return right.get(written.number, right[1])

    places = [p for p in leaves(numbers(few)) if p]
    rng = np.random.default_rng(11)
    refused = told = 0
    for _ in range(250):
        doc, way = numbers(few), places[int(rng.integers(len(places)))]
        way = way[: int(rng.integers(1, len(way) + 1))]  # a leaf, or all of a branch
        at: Any = doc
        for key in way[:-1]:
            at = at[key]
        at[way[-1]] = wild[int(rng.integers(len(wild)))]
        (tmp_path / "evidence.json").write_text(json.dumps(doc))
        try:
            read = read_document(tmp_path / "evidence.json")
        except InputError:
            refused += 1
        else:
            told += bool(list(verify(read, b"page", lambda _one: file, MADE_BY, known)))

    assert told + refused == 250
    assert told > 50
    assert refused > 50


@pytest.mark.parametrize("wishes", ["x", "[]", "{}", '{"roles": 1, "units": {}, "start": null, "zone": null}', "null"])
def test_wild_wishes_of_a_table_are_refused_in_words(wishes: str) -> None:
    with pytest.raises(InputError, match="what was said of this table"):
        wishes_from(wishes)


def test_deep_nesting_is_refused_in_words(tmp_path: Path) -> None:
    (tmp_path / "evidence.json").write_text("[" * 200_000)

    with pytest.raises(InputError, match="damaged"):
        read_document(tmp_path / "evidence.json")
