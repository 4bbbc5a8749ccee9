"""``oscservice serve``: the daemon, one line on standard output for each change of state.

Its options are the settings of the daemon.
"""

from __future__ import annotations

import contextlib
import inspect
import logging
import sys
from pathlib import Path
from typing import Annotated, Any, get_origin

import typer
from annotated_types import Ge, Le
from pydantic.fields import FieldInfo

from oscservice.cli.console import print_at_once
from oscservice.settings import ENVIRONMENT_PREFIX, ServeSettings, environment_settings, settings_file


def serve(
    context: typer.Context,
    settings: Annotated[
        Path | None,
        typer.Option(
            help="Settings file; by default the user's own, if there is one.",
            envvar=ENVIRONMENT_PREFIX + "SETTINGS",
            show_envvar=False,
        ),
    ] = None,
    **options: Any,
) -> None:
    """Run the daemon: listen, accept OSC commands, send results to subscribers.

    It runs until SIGINT or SIGTERM. Raises OscserviceError if it can't be started.
    """
    # These take long to import, and the help needs none of them.
    import asyncio

    from oscservice.bindings.settings_file import NOTHING, load_settings
    from oscservice.daemon.app import serve as serve_daemon

    given = environment_settings()
    for name, value in options.items():
        if _on_the_command_line(context, name):
            given[name] = tuple(value) if isinstance(value, list) else value
    file = settings or (settings_file() if settings_file().is_file() else None)
    configured = NOTHING if file is None else load_settings(file, given.get("root"))
    # Each has been checked where it comes from, with a message of its own.
    whole = ServeSettings.model_construct(**{**configured.options, **given})
    logging.basicConfig(stream=sys.stderr, level=logging.WARNING, format="oscservice: %(levelname)s: %(message)s")
    with contextlib.suppress(KeyboardInterrupt):
        asyncio.run(serve_daemon(whole, print_at_once, configured))


def _on_the_command_line(context: typer.Context, name: str) -> bool:
    source = context.get_parameter_source(name)
    return source is not None and source.name == "COMMANDLINE"


def _parameter(name: str, field: FieldInfo) -> inspect.Parameter:
    """Return the option of a setting, as a parameter that Typer reads."""
    more: Any = field.json_schema_extra
    low = next((limit.ge for limit in field.metadata if isinstance(limit, Ge)), None)
    high = next((limit.le for limit in field.metadata if isinstance(limit, Le)), None)
    limits: Any = {"min": low, "max": high} if more["range"] else {}
    option = typer.Option(help=more["help"], metavar=more["metavar"], **limits)
    several = get_origin(field.annotation) is tuple
    return inspect.Parameter(
        name,
        inspect.Parameter.KEYWORD_ONLY,
        default=None if several else field.default,
        annotation=Annotated[list[str] | None if several else field.annotation, option],
    )


_own = inspect.signature(serve, eval_str=True)
_parameters = [one for one in _own.parameters.values() if one.kind is not inspect.Parameter.VAR_KEYWORD]
_parameters += [_parameter(name, field) for name, field in ServeSettings.model_fields.items()]
serve.__signature__ = _own.replace(parameters=_parameters)  # type: ignore[attr-defined]
