"""The small commands: version, instruments, devices, addresses; what a person gets wrong; readers that go away."""

from __future__ import annotations

import re
import subprocess
import sys
from pathlib import Path

import pytest
from oscservice_process import PATIENCE_S, command, environment, run_command, run_process

from oscservice import __version__
from oscservice.cli.main import COMMANDS, load_command
from oscservice.instrument.instrument_file import load_instrument, preset_names


def test_version() -> None:
    got = run_command("--version")
    assert (got.code, got.out, got.err) == (0, f"oscservice {__version__}\n", "")


def test_help_names_every_command_and_explains_stepping() -> None:
    done = run_process("--help", COLUMNS="200")
    assert done.returncode == 0
    names = {"rehearse", "serve", "measure", "predict", "remains", "devices", "addresses", "sentences", "instruments"}
    assert set(COMMANDS) >= names
    for name in COMMANDS:
        assert f" {name} " in done.stdout
    done = run_process("serve", "--help", COLUMNS="200")
    assert "time passes only when a client sends" in " ".join(done.stdout.replace("│", " ").split())


@pytest.mark.parametrize("word", ["--help", "--version"])
def test_help_and_version_load_no_library_that_is_slow_to_load(word: str) -> None:
    script = (
        "import contextlib, sys; sys.argv = ['oscservice', sys.argv[1]]; from oscservice.cli import main\n"
        "with contextlib.suppress(SystemExit): main()\n"
        "print([name for name in ('numpy', 'scipy', 'pydantic', 'aiohttp') if name in sys.modules], file=sys.stderr)"
    )
    words = [sys.executable, "-c", script, word]
    done = subprocess.run(words, capture_output=True, text=True, env=environment(), timeout=PATIENCE_S, check=True)
    assert "oscservice" in done.stdout
    assert done.stderr == "[]\n"


def test_the_help_of_a_command_loads_no_library_that_is_slow_to_load() -> None:
    # The options of serve are the settings, which pydantic describes.
    script = (
        "import sys; from oscservice.cli.main import COMMANDS, load_command\n"
        "for name in sorted(COMMANDS, key='serve'.__eq__):\n"
        "    load_command(name)\n"
        "    print(name, [slow for slow in ('numpy', 'scipy', 'pydantic', 'aiohttp') if slow in sys.modules])"
    )
    words = [sys.executable, "-c", script]
    done = subprocess.run(words, capture_output=True, text=True, env=environment(), timeout=PATIENCE_S, check=True)
    loaded = dict(line.split(" ", 1) for line in done.stdout.splitlines())
    assert loaded == dict.fromkeys(COMMANDS, "[]") | {"serve": "['pydantic']"}


def test_the_library_s_entry_points_are_there_when_they_are_used() -> None:
    script = "import sys, oscservice; assert 'numpy' not in sys.modules; print(oscservice.read_note.__name__)"
    words = [sys.executable, "-c", script]
    done = subprocess.run(words, capture_output=True, text=True, env=environment(), timeout=PATIENCE_S, check=True)
    assert done.stdout == "read_note\n"
    with pytest.raises(ImportError, match="no_such_name"):
        exec("from oscservice import no_such_name")


@pytest.mark.parametrize("name", COMMANDS)
def test_a_command_s_help_is_the_one_in_the_list(name: str) -> None:
    assert load_command(name).help == COMMANDS[name][1]
    got = run_command(name, "--help")
    assert (got.code, got.err) == (0, "")
    assert f"oscservice {name}" in got.out


@pytest.mark.parametrize("name", ["check", "report"])
def test_every_option_is_named_in_the_document_of_its_command(name: str) -> None:
    document = (Path(__file__).parents[2] / "docs" / f"{name}.md").read_text(encoding="utf-8")
    options = [option for option in load_command(name).params if option.param_type_name == "option"]
    assert len(options) > 5
    left_out = [option.opts for option in options if not any(named(word, document) for word in option.opts)]
    assert left_out == []


def named(option: str, document: str) -> bool:
    """True if a text has an option as a word of its own."""
    return re.search(rf"(?<![\w-]){re.escape(option)}(?![\w-])", document) is not None


@pytest.mark.parametrize(
    ("words", "wrong"),
    [
        (["no-such-command"], "no-such-command"),
        (["serve", "--no-such-option"], "--no-such-option"),
        (["serve", "--port", "many"], "--port"),
        (["serve", "--tolerance", "0.1"], "--tolerance"),
        (["serve", "--channel", "0"], "--channel"),
        (["rehearse", "--seed", "-1"], "--seed"),
        (["measure", "--reference", "20", "note.wav"], "--reference"),
        (["measure"], "files"),
    ],
)
def test_a_command_line_that_cannot_be_read_ends_with_2(words: list[str], wrong: str) -> None:
    got = run_command(*words)
    assert (got.code, got.out) == (2, "")
    assert wrong in got.complaint
    assert got.complaint.endswith("--help`")


def test_without_a_command_the_help_is_shown() -> None:
    got = run_command()
    assert (got.code, got.err) == (0, "")
    assert "Usage: oscservice" in got.out


def test_the_presets_are_listed() -> None:
    got = run_command("instruments")
    assert (got.code, got.err) == (0, "")
    for name in preset_names():
        assert name in got.out


@pytest.mark.parametrize("name", preset_names())
def test_a_preset_that_is_shown_loads_again_as_a_file(tmp_path: Path, name: str) -> None:
    got = run_command("instruments", "show", name)
    assert (got.code, got.err) == (0, "")
    (tmp_path / "copy.toml").write_text(got.out, encoding="utf-8")
    assert load_instrument(str(tmp_path / "copy.toml")) == load_instrument(name)


def test_an_unknown_preset_is_one_line() -> None:
    got = run_command("instruments", "show", "no-such-one")
    assert (got.code, got.out) == (2, "")
    assert got.complaint.startswith("no preset is called 'no-such-one'")


NO_LIBRARY = 'raise OSError("PortAudio library not found")\n'
NO_PACKAGE = 'raise ImportError("no such package")\n'
NO_CARD = """
from types import SimpleNamespace
class PortAudioError(Exception): pass
default = SimpleNamespace(device=[-1, -1], hostapi=0)
def query_hostapis(): return ({"name": "none", "default_input_device": -1},)
def query_devices(): return ()
"""


def stub(folder: Path, text: str) -> str:
    """A folder whose module `sounddevice` is found before the real one."""
    (folder / "sounddevice.py").write_text(text)
    return str(folder)


def test_devices_without_a_sound_card_explains_the_remedy(tmp_path: Path) -> None:
    done = run_process("devices", first_path=stub(tmp_path, NO_CARD))
    assert (done.returncode, done.stderr) == (0, "")
    assert done.stdout.startswith("No audio input device was found.")
    assert "--source simulated" in done.stdout


def test_serve_without_a_sound_card_ends_with_3(tmp_path: Path) -> None:
    done = run_process("serve", "--port", "0", "--journal", tmp_path / "j.sqlite3", first_path=stub(tmp_path, NO_CARD))
    assert (done.returncode, done.stdout) == (3, "")
    assert done.stderr == "oscservice: no audio input device was found: see `oscservice devices`\n"


@pytest.mark.parametrize("words", [["devices"], ["serve", "--port", "0"]])
@pytest.mark.parametrize(
    ("text", "remedy"), [(NO_LIBRARY, "apt-get install libportaudio2"), (NO_PACKAGE, "pip install sounddevice")]
)
def test_without_portaudio_the_remedy_is_named(tmp_path: Path, words: list[str], text: str, remedy: str) -> None:
    done = run_process(*words, first_path=stub(tmp_path, text), XDG_DATA_HOME=str(tmp_path))
    assert (done.returncode, done.stdout) == (3, "")
    assert done.stderr.count("\n") == 1
    assert remedy in done.stderr


def test_other_sources_need_no_portaudio(tmp_path: Path) -> None:
    """A rehearsal, a file and standard input work where the library is missing."""
    done = run_process(
        *["serve", "--source", "-", "--rate", "48000", "--exit-at-end", "--port", "0"],
        *["--journal", tmp_path / "j.sqlite3"],
        first_path=stub(tmp_path, NO_LIBRARY),
    )
    assert (done.returncode, done.stderr) == (0, "")
    assert done.stdout.splitlines()[-1] == "audio: ended"


def test_addresses_are_listed_and_written_out() -> None:
    got = run_command("addresses")
    assert (got.code, got.err) == (0, "")
    assert "/bench/session/begin" in got.out
    page = run_command("addresses", "--markdown")
    assert page.code == 0
    assert page.out.startswith("# OSC addresses")
    assert "`/bench/simulator/wait`" in page.out


@pytest.mark.parametrize("words", [["addresses", "--markdown"], ["--version"]], ids=["long", "short"])
def test_a_reader_that_goes_away_leaves_no_traceback(words: list[str]) -> None:
    """A long text fails as it is printed, a short one only as the buffer is emptied."""
    with subprocess.Popen(
        command(*words), stdout=subprocess.PIPE, stderr=subprocess.PIPE, env=environment()
    ) as process:
        assert process.stdout is not None
        assert process.stderr is not None
        process.stdout.close()
        assert process.stderr.read() == b""
        process.wait(PATIENCE_S)


def test_a_terminal_without_the_characters_gets_question_marks() -> None:
    done = run_process("measure", "--help", PYTHONIOENCODING="ascii")
    assert (done.returncode, done.stderr) == (0, "")
    done = run_process("instruments", "show", "wrong ±", PYTHONIOENCODING="ascii")
    assert done.returncode == 2
    assert done.stderr.startswith("oscservice: no preset is called 'wrong ?'")
