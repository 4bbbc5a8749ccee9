"""Prompts in another language: the daemon with a translation, and with one that has a mistake."""

from __future__ import annotations

from pathlib import Path

from oscservice_process import ROOT, run_command, run_process, running_daemon

from oscservice.sentences.sentence_table import ENGLISH, english_toml
from oscservice.sentences.translation import load_translation

GERMAN = ROOT / "examples" / "sentences-de.toml"


def test_prompts_are_sent_in_the_language_of_the_file_with_the_same_codes(tmp_path: Path) -> None:
    german = load_translation(GERMAN).sentences
    with running_daemon(tmp_path / "j.sqlite3", "--source", "simulated", "--stepped", "--sentences", GERMAN) as daemon:
        client = daemon.client()
        client.ask("/subscribe")
        client.until("/prompt/text", german.text("prompt", "begin", "text"))
        client.until("/prompt", "begin")
        client.begin("six-string-648")
        client.until("/prompt/text", "Schlage Saite 6 leer an.")
        client.until("/prompt", "pluck_open")
        code, _, err = daemon.end()
    assert (code, err) == (0, "")


def test_a_mistake_in_a_translation_ends_the_start_with_2(tmp_path: Path) -> None:
    own = tmp_path / "own.toml"
    own.write_text('language = "fr"\n\n[prompt.pluck_open]\ntext = "Pincez la corde."\n', encoding="utf-8")
    done = run_process("serve", "--source", "simulated", "--port", "0", "--journal", tmp_path / "j", "--sentences", own)
    wrong = f"oscservice: {own}: line 4: prompt pluck_open text: {{string}} is missing; expected {{string}}\n"
    assert (done.returncode, done.stdout, done.stderr) == (2, "", wrong)
    assert not (tmp_path / "j").exists()


def test_the_table_is_printed_and_a_translation_checked() -> None:
    assert run_command("sentences").out == english_toml()
    count = len(ENGLISH.texts)
    assert run_command("sentences", GERMAN).out.endswith(f"{count} of {count} texts in de\n")
    missing = run_command("sentences", "no-such-file.toml")
    assert (missing.code, missing.out) == (2, "")
    assert "no-such-file.toml: no such file" in missing.complaint
