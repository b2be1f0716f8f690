"""Files are made whole or not at all, and never through a link or over what is no file."""

from __future__ import annotations

import os
import stat
from pathlib import Path

import pytest
from evenstring.errors import InputError
from evenstring.io.files import write_new
from evenstring.io.recorder import RecordingWriter


def test_a_link_is_not_followed_even_by_force(tmp_path: Path) -> None:
    target, link = tmp_path / "precious", tmp_path / "report.json"
    target.write_bytes(b"kept")
    link.symlink_to(target)

    with pytest.raises(InputError, match="is a link"):
        write_new(link, b"new", force=True)
    with pytest.raises(InputError, match="is a link"):
        RecordingWriter(link, append=True)

    assert target.read_bytes() == b"kept"


def test_a_pipe_is_not_replaced_even_by_force(tmp_path: Path) -> None:
    pipe = tmp_path / "pipe"
    os.mkfifo(pipe)

    with pytest.raises(InputError, match="no ordinary file"):
        write_new(pipe, b"new", force=True)

    assert stat.S_ISFIFO(pipe.stat().st_mode)


def test_a_link_at_the_old_temporary_name_does_no_harm(tmp_path: Path) -> None:
    """The temporary file was once NAME.part, and written through whatever stood there."""
    target = tmp_path / "precious"
    target.write_bytes(b"kept")
    (tmp_path / "report.json.part").symlink_to(target)

    write_new(tmp_path / "report.json", b"new")

    assert target.read_bytes() == b"kept"
    assert (tmp_path / "report.json").read_bytes() == b"new"
    assert not list(tmp_path.glob(".evenstring-*"))


def test_a_new_file_has_the_rights_that_the_user_s_mask_leaves(tmp_path: Path) -> None:
    before = os.umask(0o027)
    try:
        write_new(tmp_path / "a", b"")
    finally:
        os.umask(before)
    (tmp_path / "a").chmod(0o600)
    write_new(tmp_path / "b", b"")
    write_new(tmp_path / "a", b"again", force=True)

    assert stat.S_IMODE((tmp_path / "a").stat().st_mode) == 0o600
    assert stat.S_IMODE((tmp_path / "b").stat().st_mode) == 0o666 & ~before


def test_a_name_that_no_system_takes_is_one_clear_error(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="cannot be a file here"):
        write_new(tmp_path / ("x" * 300), b"")
