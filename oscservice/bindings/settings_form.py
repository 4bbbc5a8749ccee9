"""The form of a settings file: the settings of the daemon, bindings, listeners and sets of recordings.

The expected values of each key are beside it; a message about a mistake repeats them.
"""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import Discriminator, Field, PlainValidator, Tag, model_validator

from oscservice.api.argument_values import PHASES
from oscservice.bindings.binding import MOST_CHARACTERS, When, colour_of
from oscservice.osc.packet import MAX_ADDRESS_BYTES, MAX_TAGS
from oscservice.osc.pattern import MAX_WILDCARDS
from oscservice.settings import ServeSettings
from oscservice.toml_file import Form

MOST_BINDINGS = 256
MOST_LISTENERS = 16
MOST_TOPICS = 64
MOST_CHECKS = 64
NAME = r"^[A-Za-z0-9][A-Za-z0-9 _.-]{0,39}$"
NAME_TEXT = "a name in quotes of 1 to 40 letters, digits, blanks, _ . -"
_INT32 = range(-(2**31), 2**31)
_LARGEST = 3.4e38  # what fits 32 bits


def _fixed(given: object) -> int | float | str:
    if isinstance(given, bool):
        return int(given)
    if isinstance(given, int) and given in _INT32:
        return given
    if isinstance(given, float) and abs(given) <= _LARGEST:
        return given
    if isinstance(given, str) and "\0" not in given and len(given) <= MOST_CHARACTERS:
        return given
    raise ValueError("not a number or a text")


Fixed = Annotated[Any, PlainValidator(_fixed)]
Number = Annotated[float, Field(allow_inf_nan=False, ge=-_LARGEST, le=_LARGEST)]
Order = Annotated[int, Field(ge=1, le=MAX_TAGS)]
Pattern = Annotated[str, Field(min_length=1, max_length=MAX_ADDRESS_BYTES)]


class ConditionForm(Form):
    """One condition on an argument."""

    argument: Order = Field(1, description=f"which argument of the message, from 1 to {MAX_TAGS}")
    when: Literal["any", "rising", "falling", "equals", "above", "below"] = Field(
        "any", description="one of " + ", ".join(When)
    )
    value: Fixed = Field(None, description="a number, or a text in quotes with equals")
    once: bool = Field(False, description="true or false")

    @model_validator(mode="after")
    def _value_where_one_is_needed(self) -> ConditionForm:
        if self.when in ("equals", "above", "below"):
            if self.value is None:
                raise ValueError(f"value: missing; expected the value that {self.when} compares the argument with")
            if self.when != "equals" and isinstance(self.value, str):
                raise ValueError(f"value: found a text, expected a number for {self.when}")
        elif self.value is not None:
            raise ValueError(f"value: not used with {self.when}; expected equals, above or below")
        elif self.once:
            raise ValueError("once: expected it beside equals, above or below only")
        return self


class ArgumentForm(Form):
    """An argument that is taken from a message."""

    argument: Order | None = Field(None, description=f"which argument of the message, from 1 to {MAX_TAGS}")
    wildcard: Annotated[int, Field(ge=1, le=MAX_WILDCARDS)] | None = Field(
        None, description=f"which wildcard of the pattern, from 1 to {MAX_WILDCARDS}"
    )
    scale: Number = Field(1.0, description="a number that the argument is multiplied by")
    offset: Number = Field(0.0, description="a number that is added then")
    low: Number | None = Field(None, description="the lowest number that is passed on")
    high: Number | None = Field(None, description="the highest number that is passed on")
    step: Annotated[float, Field(gt=0, allow_inf_nan=False)] | None = Field(
        None, description="a number above 0 that it is rounded to a multiple of"
    )
    map: Annotated[dict[str, Fixed], Field(min_length=1)] | None = Field(
        None, description='what each value becomes: { "to move" = 2, settled = 1 }'
    )
    otherwise: Fixed = Field(None, description="what a value becomes that is not in the map: a number or a text")
    type: Literal["int", "float", "text", "rgba"] | None = Field(
        None, description="int, float, text or rgba, in quotes"
    )
    decimals: Annotated[int, Field(ge=0, le=6)] | None = Field(
        None, description="decimals of a text, a whole number from 0 to 6"
    )
    sign: bool = Field(False, description="true or false")
    before: Annotated[str, Field(max_length=MOST_CHARACTERS)] = Field("", description="a text in quotes")
    after: Annotated[str, Field(max_length=MOST_CHARACTERS)] = Field("", description="a text in quotes")
    longest: Annotated[int, Field(ge=1, le=MOST_CHARACTERS)] = Field(
        MOST_CHARACTERS, description=f"characters that a text is cut to, from 1 to {MOST_CHARACTERS}"
    )

    @model_validator(mode="after")
    def _can_be_made(self) -> ArgumentForm:
        if (self.argument is None) == (self.wildcard is None):
            raise ValueError("argument: expected either argument or wildcard")
        if self.otherwise is not None and self.map is None:
            raise ValueError("otherwise: expected a map beside it")
        if self.low is not None and self.high is not None and self.low > self.high:
            raise ValueError(f"low: found {self.low:g}, expected no more than high, {self.high:g}")
        texts = self.decimals is not None or self.sign or self.before or self.after
        if texts and self.type in ("int", "float", "rgba"):
            raise ValueError(f"type: found {self.type}, but decimals, sign, before and after make a text")
        if self.type == "rgba":
            for one in (*(self.map or {}).values(), *([] if self.otherwise is None else [self.otherwise])):
                if colour_of(one) is None:
                    raise ValueError(f"type: found rgba, but {one!r} is no colour; expected #FF8000 or #FF8000FF")
        if "\0" in self.before + self.after:
            raise ValueError("before: expected a text without the character 0")
        return self


def _which(given: object) -> str:
    return "taken" if isinstance(given, dict | ArgumentForm) else "fixed"


PieceForm = Annotated[
    Annotated[ArgumentForm, Tag("taken")] | Annotated[Fixed, Tag("fixed")],
    Discriminator(_which),
]


class ListenerForm(Form):
    """One ``[[listener]]``: a surface that can't subscribe."""

    name: Annotated[str, Field(pattern=NAME)] = Field(description=NAME_TEXT)
    host: str = Field("127.0.0.1", description="an IP address in quotes, as 192.168.1.40")
    port: Annotated[int, Field(ge=1, le=65535)] = Field(description="the UDP port it listens on, from 1 to 65535")
    transport: Literal["udp"] = Field("udp", description='"udp"')
    topics: Annotated[list[Pattern], Field(max_length=MOST_TOPICS)] = Field(
        [],
        description=f'up to {MOST_TOPICS} patterns of own addresses, as ["/bench/phase", "/bench/string/*/cents"]',
    )
    rate_hz: Annotated[float, Field(ge=0.1, le=100.0)] = Field(
        25.0, description="how often a value is sent at most, from 0.1 to 100 times a second"
    )
    refresh_s: Annotated[float, Field(ge=1.0, le=3600.0)] = Field(
        10.0, description="after how long everything is sent again, from 1 to 3600 seconds"
    )


class BindingForm(ConditionForm):
    """One ``[[binding]]``: a foreign message to a command, or an own value to a foreign address."""

    from_: Pattern | None = Field(None, alias="from", description="a pattern of foreign addresses in quotes")
    command: Pattern | None = Field(None, description="the address of a command in quotes, as /bench/session/next")
    send: Pattern | None = Field(None, description="a pattern of own addresses in quotes")
    to: str | None = Field(None, description="the name of a [[listener]] in quotes")
    as_: Pattern | None = Field(None, alias="as", description="a foreign address in quotes")
    arguments: Annotated[list[PieceForm], Field(max_length=MAX_TAGS)] = Field(
        [], description="a list of numbers, texts and { argument = 1 } tables"
    )
    also: Annotated[list[ConditionForm], Field(max_length=8)] = Field(
        [], description='up to 8 more conditions: [{ argument = 2, when = "equals", value = 1 }]'
    )
    phases: list[Literal[tuple(PHASES)]] = Field(  # type: ignore[valid-type]
        [], description="a list of phases out of " + ", ".join(PHASES)
    )

    @model_validator(mode="after")
    def _one_way(self) -> BindingForm:
        incoming = {"from": self.from_, "command": self.command}
        outgoing = {"send": self.send, "to": self.to, "as": self.as_}
        both = [name for name, value in (incoming | outgoing).items() if value is not None]
        for one, other in ((incoming, outgoing), (outgoing, incoming)):
            if set(both) & set(one) and set(both) & set(other):
                raise ValueError(f"{both[0]}: expected either from and command, or send, to and as; found both")
        wanted = outgoing if set(both) & set(outgoing) else incoming
        missing = [name for name in wanted if name not in both]
        if missing:
            raise ValueError(f"{missing[0]}: missing; expected {' and '.join(wanted)} together")
        if self.phases and self.send is not None:
            raise ValueError("phases: expected them with from and command only")
        return self


class CheckForm(Form):
    """One ``[[check]]``: a set of recordings that may be checked by name."""

    name: Annotated[str, Field(pattern=NAME)] = Field(description=NAME_TEXT)
    manifest: Annotated[str, Field(min_length=1)] = Field(description="a manifest's path in quotes")


class SettingsForm(ServeSettings, Form):
    """The whole file: the settings of the daemon, then bindings and listeners."""

    pass_over: Annotated[list[Pattern], Field(max_length=MOST_TOPICS)] = Field(
        [], description=f'up to {MOST_TOPICS} patterns of foreign addresses: ["/recorder/meter/*"]'
    )
    listener: Annotated[list[ListenerForm], Field(max_length=MOST_LISTENERS)] = Field(
        [], description=f"up to {MOST_LISTENERS} [[listener]] entries"
    )
    binding: Annotated[list[BindingForm], Field(max_length=MOST_BINDINGS)] = Field(
        [], description=f"up to {MOST_BINDINGS} [[binding]] entries"
    )
    check: Annotated[list[CheckForm], Field(max_length=MOST_CHECKS)] = Field(
        [], description=f"up to {MOST_CHECKS} [[check]] entries"
    )

    def options(self) -> dict[str, Any]:
        """Return the settings that the file gives, by name."""
        return {name: getattr(self, name) for name in ServeSettings.model_fields if name in self.model_fields_set}
