"""The cache of an archive: what is kept comes back, and whatever is wrong with its file is a remark."""

from __future__ import annotations

import sqlite3
import subprocess
import sys
from pathlib import Path

import pytest

from oscservice.archive.result_cache import FILE_NAME, Cache, default_folder, key_of

SHA = "ab" * 32


def key(number: int) -> bytes:
    return key_of(f"{number:064x}", ".wav", (), "estimator")


def test_cached_results_are_found_in_the_next_run(tmp_path: Path) -> None:
    with Cache.open(tmp_path / "new" / "folder") as cache:
        cache.keep([(key(n), f"text {n}") for n in range(1200)])
        assert cache.find([key(-1 % 2**64)]) == {}
    with Cache.open(tmp_path / "new" / "folder") as cache:
        found = cache.find([key(n) for n in range(0, 2400, 2)])
        assert found == {key(n): f"text {n}" for n in range(0, 1200, 2)}
        assert cache.remarks == []


def test_a_key_differs_with_everything_a_result_depends_on() -> None:
    keys = {
        key_of(SHA, ".wav", (110.0,), "one"),
        key_of(SHA, ".wav", (110.0,), "another"),
        key_of(SHA, ".wav", (110.0, 220.0), "one"),
        key_of(SHA, ".wav", (220.0, 110.0), "one"),
        key_of(SHA, ".wav", (110.00000000000001,), "one"),
        key_of(SHA, ".wav", (), "one"),
        key_of(SHA, ".vox", (110.0,), "one"),
        key_of("cd" * 32, ".wav", (110.0,), "one"),
    }
    assert len(keys) == 8
    assert key_of(SHA, ".WAV", (110,), "one") in keys


def test_the_longest_unused_go_when_there_is_too_much(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    now = 1_700_000_000.0
    monkeypatch.setattr("oscservice.archive.result_cache.time.time", lambda: now)
    with Cache.open(tmp_path) as cache:
        for n in range(100):
            now += 1.0
            cache.keep([(key(n), "x" * 100)])
        now += 7200.0
        cache.find([key(0)])  # looked up: no longer the longest unused
    with Cache.open(tmp_path, most_bytes=5000) as cache:
        pass
    with Cache.open(tmp_path) as cache:
        left = cache.find([key(n) for n in range(100)])
    assert set(left) == {key(0)} | {key(n) for n in range(56, 100)}  # 45 of 100 bytes: nine tenths of what may be


def test_a_row_that_was_damaged_is_not_found(tmp_path: Path) -> None:
    with Cache.open(tmp_path) as cache:
        cache.keep([(key(1), "110.0 Hz"), (key(2), "220.0 Hz")])
    with sqlite3.connect(tmp_path / FILE_NAME) as database:
        database.execute("UPDATE measured SET body = '110.1 Hz' WHERE key = ?", (key(1),))
    database.close()
    with Cache.open(tmp_path) as cache:
        assert cache.find([key(1), key(2)]) == {key(2): "220.0 Hz"}


def unusable(cache: Cache) -> None:
    """The cache does nothing, and says so once."""
    with cache:
        cache.keep([(key(1), "text")])
        assert cache.find([key(1)]) == {}
    assert len(cache.remarks) == 1
    assert str(cache.file) in cache.remarks[0]
    assert "\n" not in cache.remarks[0]


@pytest.mark.parametrize("content", [b"no database at all" * 100, b"SQLite format 3\0" + b"\xff" * 4000])
def test_a_damaged_file_is_a_remark(tmp_path: Path, content: bytes) -> None:
    (tmp_path / FILE_NAME).write_bytes(content)
    unusable(Cache.open(tmp_path))
    assert (tmp_path / FILE_NAME).read_bytes() == content


def test_pages_damaged_in_the_middle_are_a_remark(tmp_path: Path) -> None:
    with Cache.open(tmp_path) as cache:
        cache.keep([(key(n), "x" * 500) for n in range(500)])
    whole = (tmp_path / FILE_NAME).read_bytes()
    (tmp_path / FILE_NAME).write_bytes(whole[:4096] + b"\xee" * (len(whole) - 4096))
    with Cache.open(tmp_path) as cache:
        assert cache.find([key(n) for n in range(500)]) == {}
        cache.keep([(key(1), "text")])
    assert len(cache.remarks) == 1


def test_another_programs_database_is_not_changed(tmp_path: Path) -> None:
    with sqlite3.connect(tmp_path / FILE_NAME) as database:
        database.execute("CREATE TABLE theirs (a)")
    database.close()
    unusable(Cache.open(tmp_path))
    with sqlite3.connect(tmp_path / FILE_NAME) as database:
        assert database.execute("SELECT name FROM sqlite_schema").fetchall() == [("theirs",)]
    database.close()


def test_a_folder_that_is_a_file_is_a_remark(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    unusable(Cache.open(tmp_path / "file"))
    (tmp_path / FILE_NAME).mkdir()
    unusable(Cache.open(tmp_path))


def test_a_file_locked_by_another_process_is_a_remark(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("oscservice.archive.result_cache._WAIT_S", 0.01)
    Cache.open(tmp_path).close()
    held = sqlite3.connect(tmp_path / FILE_NAME, isolation_level=None)
    held.execute("BEGIN EXCLUSIVE")
    unusable(Cache.open(tmp_path))
    held.close()


WRITER = """
import sys
from pathlib import Path
from oscservice.archive.result_cache import Cache, key_of
first = int(sys.argv[2])
with Cache.open(Path(sys.argv[1])) as cache:
    for n in range(first, first + 60):
        cache.keep([(key_of(f"{n:064x}", ".wav", (), "estimator"), f"text {n}")])
print(cache.remarks)
"""


def test_two_runs_at_once_keep_all_of_both(tmp_path: Path) -> None:
    runs = [
        subprocess.Popen([sys.executable, "-c", WRITER, str(tmp_path), str(n)], stdout=subprocess.PIPE, text=True)
        for n in (0, 60)
    ]
    assert [run.communicate(timeout=120)[0].strip() for run in runs] == ["[]", "[]"]
    with Cache.open(tmp_path) as cache:
        assert cache.find([key(n) for n in range(120)]) == {key(n): f"text {n}" for n in range(120)}


def test_it_lies_in_the_users_cache_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path))
    assert default_folder() == tmp_path / "oscservice"
    with Cache.open() as cache:
        assert cache.file == tmp_path / "oscservice" / FILE_NAME
    assert cache.file.exists()
