"""How mistakes in a settings file are told."""

from __future__ import annotations

from oscservice.configured.form import BindingForm, CheckForm, ConditionForm, ListenerForm, SettingsForm, TakenForm
from oscservice.tomlmistakes import Mistakes

SETTINGS_MISTAKES = Mistakes(
    SettingsForm,
    {
        "listener": ("listener", ListenerForm),
        "binding": ("binding", BindingForm),
        "check": ("check", CheckForm),
        "arguments": ("argument", TakenForm),
        "also": ("condition", ConditionForm),
    },
    tags=("taken", "fixed"),  # which form pydantic took an argument for
)
