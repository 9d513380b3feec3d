"""Where commands write: plain files and folders only, whole or not at all; stores that may only be read."""

from __future__ import annotations

import os
import stat
from pathlib import Path

import pytest
from tests.host.cycles.test_parquet import identity, record

from steadyram.cli import main
from steadyram.cycles.store import CycleStore
from steadyram.errors import BadInput
from steadyram.plain_file import refuse_place, write_whole


@pytest.fixture(autouse=True)
def own_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("STEADYRAM_CONFIG_DIR", str(tmp_path / "config"))
    monkeypatch.delenv("STEADYRAM_STORE", raising=False)
    (tmp_path / "work").mkdir()
    monkeypatch.chdir(tmp_path / "work")


def refused(capsys: pytest.CaptureFixture[str], *words: str) -> str:
    with pytest.raises(SystemExit) as stop:
        main(list(words))
    told = capsys.readouterr()
    assert stop.value.code == 2, told.err
    assert told.err.count("\n") == 1
    return told.err


def test_what_is_no_plain_file_is_not_replaced() -> None:
    os.mkfifo("pipe")
    Path("kept").write_text("kept")
    Path("link").symlink_to("kept")
    Path("loose").symlink_to("nothing")
    Path("folder").mkdir()
    for name in ("pipe", "link", "loose", "folder", "no/such/x", "kept/x"):
        with pytest.raises(BadInput):
            write_whole(Path(name), "new")
    assert stat.S_ISFIFO(Path("pipe").stat().st_mode)
    assert Path("link").is_symlink()
    assert Path("kept").read_text() == "kept"
    assert not Path("nothing").exists()
    write_whole(Path("kept"), "new")
    assert Path("kept").read_text() == "new"
    assert {path.name for path in Path().iterdir()} == {"pipe", "kept", "link", "loose", "folder"}


@pytest.mark.skipif(not Path("/dev/null").is_char_device(), reason="no device nodes here")
def test_a_device_is_no_place_for_a_file() -> None:
    with pytest.raises(BadInput, match="device"):
        refuse_place(Path("/dev/null"))
    with pytest.raises(BadInput, match="not a folder"):
        refuse_place(Path("/dev/null"), folder=True)


def filled(path: str) -> None:
    with CycleStore(path) as store:
        store.see_device(identity("a"), 1)
        store.add_cycles(identity("a"), [record(seq) for seq in range(1, 4)], 1)


def test_an_empty_file_is_not_made_a_store_by_looking(capsys: pytest.CaptureFixture[str]) -> None:
    Path("empty.db").touch()
    assert "no cycle store" in refused(capsys, "cycles", "list", "--store", "empty.db")
    assert Path("empty.db").stat().st_size == 0
    assert [path.name for path in Path().iterdir()] == ["empty.db"]


def test_a_refused_command_leaves_no_store(capsys: pytest.CaptureFixture[str]) -> None:
    nobody = "socket://127.0.0.1:1"
    refused(capsys, "cycles", "pull", "--port", nobody)
    refused(capsys, "collect", "--port", nobody, "--metrics", "127.0.0.1:99999")
    refused(capsys, "collect", "--port", nobody, "--for", "inf")
    refused(capsys, "collect", "--port", nobody, "--for", "nan")
    refused(capsys, "page", "--port", nobody, "--listen", "127.0.0.1:99999")
    assert list(Path().iterdir()) == []


def test_metrics_on_a_port_that_is_held(capsys: pytest.CaptureFixture[str]) -> None:
    import socket

    with socket.create_server(("127.0.0.1", 0)) as held:
        address = f"127.0.0.1:{held.getsockname()[1]}"
        said = refused(capsys, "collect", "--port", "socket://127.0.0.1:1", "--metrics", address)
    assert "cannot be listened on" in said
    assert list(Path().iterdir()) == []


@pytest.mark.skipif(os.geteuid() == 0, reason="root may write everywhere")
def test_a_store_in_a_folder_that_is_read_only(capsys: pytest.CaptureFixture[str]) -> None:
    Path("shelf").mkdir()
    filled("shelf/c.db")
    os.chmod("shelf/c.db", 0o444)
    os.chmod("shelf", 0o555)
    try:
        main(["cycles", "list", "--store", "shelf/c.db", "--json"])
    finally:
        os.chmod("shelf", 0o755)
    assert capsys.readouterr().out.count('"seq"') == 3


def test_a_store_that_may_only_be_read_is_listed(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    filled("c.db")
    before = Path("c.db").read_bytes()
    monkeypatch.setattr(os, "access", lambda path, mode: not mode & os.W_OK)
    main(["cycles", "list", "--store", "c.db", "--json"])
    assert capsys.readouterr().out.count('"seq"') == 3
    assert Path("c.db").read_bytes() == before
    assert [path.name for path in Path().iterdir()] == ["c.db"]
