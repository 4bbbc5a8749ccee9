"""Figures: what is taken over from an earlier state is what would be calculated."""

from __future__ import annotations

import pytest
from golden.sessions import SESSIONS

from oscservice.session import figures as module
from oscservice.session.figures import NO_FIGURES, figures
from oscservice.session.replay import fold
from oscservice.session.state import State


@pytest.mark.parametrize("name", ["thorough", "floating", "paired", "fixed", "quick_drifted"])
def test_reused_figures_equal_those_calculated_again(name: str) -> None:
    state, kept = State(), NO_FIGURES
    for step in SESSIONS[name]().steps:
        state = fold(step, state)
        kept = figures(state, kept)
        assert kept == figures(state)


def test_only_the_string_that_changed_is_calculated(monkeypatch: pytest.MonkeyPatch) -> None:
    steps = SESSIONS["fixed"]().steps
    state, kept = State(), NO_FIGURES
    calculated: list[int] = []
    real = module._string_figures

    def counted(*args: object) -> object:
        calculated.append(args[2])  # type: ignore[arg-type]
        return real(*args)  # type: ignore[arg-type]

    monkeypatch.setattr(module, "_string_figures", counted)
    counts = []
    for step in steps:
        state = fold(step, state)
        calculated.clear()
        kept = figures(state, kept)
        counts.append(len(calculated))
    assert counts[0] == 6
    assert sorted(counts)[len(counts) // 2] == 1, "a pluck changes its own string"
    calculated.clear()
    figures(state, kept)
    assert calculated == []
