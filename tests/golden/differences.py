"""Intended differences from the golden files. Every line here is a change that somebody decided on.

Paths are field names with dots, without numbers: ``strings.survey.neck.errors_cents``.
"""

from __future__ import annotations

import re

from oscservice.sentences.sentence_table import ENGLISH
from oscservice.session.vocabulary import INSPECTION_ITEMS

_HOW_STRINGS = ENGLISH.text("item", "strings", "how")
_READING = ("counted", "strayed", "learnt_stiffness", "harmonic", "balance")
_COMPARISON = ("pluck_scatter", "strength_slope")

NEW_STATE_FIELDS: frozenset[str] = frozenset(
    {
        "held",
        "as_left",
        "measured_left",
        *("tuners_centred", "nut_closed", "nut_reopened", "nut_doubted", "action_checked", "notice"),
        *(f"strings.{name}" for name in ("saddle_at_mm", "moved_unread_mm", "clamp_from_cents", "nut_shift_cents")),
        *("strings.move_noticed", "strings.stretches"),
        "against.strings.errors.target_cents",
        *(f"strings.check.{name}" for name in _COMPARISON),
        *(f"doubt.{one}.{name}" for one in ("first", "second") for name in _READING),
    }
)
"""Paths of fields of the state that the golden files do not know: they are left out of the comparison."""

GONE_STATE_FIELDS: frozenset[str] = frozenset()
"""Paths in the golden files that the state has no more."""

RENAMED_STATE_FIELDS: dict[str, str] = {"pluck_scatter": "hand"}
"""New path -> the field's name in the golden files."""

NEW_EVENT_FIELDS: dict[str, frozenset[str]] = {
    "StepBegun": frozenset({"held"}),
    "SessionBegun": frozenset({"balance", "items"}),
    "ItemMeasured": frozenset({"left", "instrument_change", "waits"}),
    "StringsFitted": frozenset({"waits"}),
    "ReadingTaken": frozenset(_READING),
    "TunedByHand": frozenset({"balance"}),
    "StringSlackened": frozenset({"balance"}),
    "SaddleMoved": frozenset({"outcomes", "balance", "as_found"}),
    "SessionClosed": frozenset({"as_left"}),
    "ResponseLearnt": frozenset({"response"}),
    **dict.fromkeys(("StringJudged", "StringSurveyed", "StringProved", "StringChecked"), frozenset(_COMPARISON)),
}
"""Event -> its fields that the golden journals lack; with their defaults, old journals replay as they did."""

NEW_RECORD_FIELDS: dict[str, frozenset[str]] = {
    "Instrument": frozenset({"nut", "fine_tuners", "pegs", "tools", "tuning", "tunings", "perpendicular_fret"}),
    "StringSpec": frozenset({"nut_offset_mm", "fret_targets_cents"}),
    "Bridge": frozenset({"saddle", "let_down", "anchor"}),
    "Adjuster": frozenset({"clockwise"}),
    "SetUp": frozenset(
        {
            *("pickup_treble_wanted_mm", "pickup_bass_wanted_mm"),
            *("string_set", "stretched_in", "hours_played", "replace_after_hours", "recheck_action_mm"),
        }
    ),
}
"""Record of an instrument, or of a part of it -> its fields that the golden files lack."""

NEW_EVENTS: frozenset[str] = frozenset(
    {"FineTunersCentred", "NutClamped", "ActionChecked", "SaddleMeasured", "MissedStepNoticed", "StringsDescribed"}
)
"""Kinds of events that are in no golden journal. In a comparison with golden journals they are left out."""

NEW_COMMANDS: frozenset[str] = frozenset({"SaddleAt", "NutClamps", "Played", "Stretched"})
"""Commands of the session (names of classes) that are in no golden journal."""

NEW_PRESETS: frozenset[str] = frozenset(
    {
        "baritone-686",
        "bass-6-864",
        "seven-string-648-locking",
        "six-string-628-zero-fret",
        "six-string-648-compensated",
        "six-string-648-locking",
        "six-string-648-spring",
        "six-string-648-unison",
        "twelve-string-648",
    }
)
"""Instruments that no golden session has. A session of a new preset may be added to ``tests/golden/sessions.py``
instead; ``python -m golden NAME`` makes its files only."""

NEW_ITEMS: frozenset[str] = frozenset({"pickups"})
"""Inspection items that no golden session has. Their events are left out of the comparison."""

CAUTIONED_ITEMS: frozenset[str] = frozenset({"strings"})
"""Inspection items whose prompts in the golden datagrams have no caution yet."""

NEW_ADDRESSES: frozenset[str] = frozenset(
    {
        *(f"/inspect/{item}{end}" for item in NEW_ITEMS for end in ("", "/note", "/off")),
        *(f"/inspect/{item}/{end}" for item in INSPECTION_ITEMS for end in ("how", "effect", "caution")),
        *(f"/inspect/strings/{end}" for end in ("set", "hours", "stretched")),
        *("/prompt/tool", "/prompt/reason", "/notice", "/notice/string", "/notice/text", "/nut"),
        *(
            "/string/target/hz",
            "/string/target/note",
            "/string/nut/shift",
            "/string/saddle/sense",
            "/string/saddle/place",
        ),
    }
)
"""Addresses that the golden datagrams do not know, without root and numbers: ``/string/saddle/room``. Messages to them
are left out of the comparison."""

CHANGED_NUMBERS: dict[str, float] = {
    "body.finding.probability": 0.06,  # magnets are one cause more: 0.53 became 0.505
    **dict.fromkeys(("body.why", "body.reason"), 0.06),  # the same in words: 54% became 51%
}
"""Path of a number, or an address of datagrams as in ``NEW_ADDRESSES`` -> how far the number may be from the golden
one, relative to it. A probability moves a little when a cause is added, say.

A text may differ by as much in its numbers. A failure prints the path: leave its numbers out. A number in an event is
usually one of the state too, with a path of its own. In the states after each step such a number may be part of a
digest: that is then not compared, but the whole last state is."""

TEXTS: dict[str, str] = {
    # Prompts
    "Look over the ": "Inspect the ",
    "Pass it, or waive it with a reason.": "Pass, or waive with a reason.",
    "Put it right, then pass it.": "Correct the fault, then pass.",
    "Put it right and measure again,": "Correct it and measure again,",
    "Put on fresh ones and say so,": "Fit new strings and report the day,",
    ", freshly fretted.": ". Fret it again for each pluck.",
    " or say so. Its saddle is to go ": " or confirm. Its saddle will move ",
    ", clamp it, bring the string to pitch.": " and clamp it. Then tune the string to pitch.",
    "What is off is gone. Then to pitch.": "Removed material can't be put back. Then tune to pitch.",
    "clamp it, say how far; then to pitch.": "clamp it, and report how far it moved. Then tune to pitch.",
    " Tune it, and pluck it open.": " Tune the string, then pluck it open.",
    "Then take it up again, overrule it, or go on.": "Then compare again, overrule, or skip.",
    "Softer now: ": "Pluck softer: ",
    "Harder now: ": "Pluck harder: ",
    "Hand it over.": "Hand over the instrument.",
    "The others will pull it ": "Tuning the other strings will pull it ",
    # Cautions
    "Before work on nut, frets or bridge let the strings down, eyes out of their line.": (
        "Slacken the strings before work on nut, frets or bridge. Keep your face away from them."
    ),
    "Force no truss rod.": "Never force a truss rod.",
    "Let old strings down before you cut them, wear glasses, eyes out of their line.": (
        "Slacken old strings before you cut them. Wear eye protection, keep your face away."
    ),
    "can break: keep your eyes out of its line.": "can break: keep your face away from it.",
    "Let it down a little at a time, and keep your eyes out of its line.": (
        "Lower the pitch a little at a time, and keep your face away from the string."
    ),
    "Never loosen a saddle clamp under a string at pitch: slacken first, eyes out of its line.": (
        "Never loosen a saddle under a string at pitch: slacken first, keep your face away."
    ),
    "Clamp screws snug and no more. Tune up slowly, eyes out of the string's line; its end is sharp.": (
        "Tighten clamp screws until snug, no further. Tune up slowly, face away from the string; its end is sharp."
    ),
    "Take the string out of the way first, and wear glasses; its end is sharp. Tune up slowly.": (
        "First take the string out of the way. Wear eye protection; its end is sharp. "
        "Tune up slowly, face away from it."
    ),
    "Away from the nut tightens the string: let it down first, eyes out of its line. Force no screw.": (
        "Moving away from the nut tightens the string: let it down first, keep your face away. Never force a screw."
    ),
    "wear glasses, cut them short, leave none lying about.": (
        "wear eye protection, cut them short, pick up every piece."
    ),
    # Inspection
    "fresh, of the right gauge and kind, properly seated.": (
        f"fresh, of the right gauge and kind, properly seated. {_HOW_STRINGS}"
    ),
    "neck relief as wanted": "neck relief within your target",
    "height at the 12th fret as wanted": "string height at the 12th fret within your target",
    " mm, as wanted (": " mm, within the target (",
    " what is wanted (": " the target (",
    # Causes
    "held at fret 3 it should all but touch": "held at fret 3, it should almost touch",
    "have a high slot filed": "a high slot is filed by a qualified repairer",
    "no capo; press just behind the fret, no harder than it takes": (
        "take off any capo; press just behind the fret, only as hard as needed"
    ),
    "feel along it for kinks, wear and grime; put on a fresh one": (
        "feel along it for kinks, wear and dirt; fit a new one"
    ),
    "is it seated, its crown in the middle? Have it crowned": (
        "is it seated, is its crown centred? If not, have it glued or crowned by a qualified repairer"
    ),
    "measure it at fret 12; put it right first, or correct the file": (
        "measure it at fret 12; correct it first, or correct the instrument file"
    ),
    "fret alike each time;": "fret the same way each time;",
    ", alike on all strings and frets": ", the same on all strings and frets",
    " at its worst place, which fits no saddle, nut or fret": (
        " at its worst place, a pattern that no saddle, nut or fret makes"
    ),
    "too near to the saddle": "too close to the saddle",
    " the saddle against its neighbours": " the saddle, compared with its neighbours",
    # Events
    "the pluck in doubt is not used": "the unclear pluck is not used",
    "advised on all the same (overruled)": "advised despite its cause (overruled)",
    "the last pass goes without the harmonic": "the last pass leaves out the harmonic",
    "last step taken back": "last step undone",
    # Reasons
    ", its saddle where it now stands": " with the saddle in its new place",
    "nothing to pass over in": "nothing to skip in",
    "more than reckoned with": "more than expected",
    "its plucks are of unlike strength": "its plucks differ in strength",
    "every place has to be heard": "every place has to be plucked",
    "is too near the tolerance to tell yet": "is too close to the tolerance to decide yet",
    "; more plucks will tell": "; more plucks will show",
    "it can't be told which partial is the first": "the first partial is unclear",
    # Refusals
    "takes f (move, mm); got s": (
        "takes f or s (move, mm); found 'far', which is no length; write 0.2 mm, 0.008 in or 1/64 in"
    ),
}
"""Text, or a part of one, in the golden files -> the same now. In datagrams, and in events made now."""

PATTERNS: dict[str, str] = {
    r"^Bring string (\d+) to pitch, and pluck": r"Tune string \1 to pitch, then pluck",
    r"^String (\d+) is ([\d.]+) cents (?:flat|sharp): bring it (up|down), and pluck it open\.": (
        r"Tune string \1 \3 by \2 cents, then pluck it open."
    ),
    r"^Move the saddle of string (\d+) ([\d.]+ mm [a-z ]+ the nut) and clamp it\. Then tune the string to pitch\.": (
        r"Hold the saddle of string \1 (small screwdriver) so that it does not jump. Loosen its clamp screw (hex key), "
        r"move the saddle \2, tighten the screw. Tune string \1, then pluck it open."
    ),
    r"^(Turn the screw of saddle \d+ by [^:(]*): ": r"\1 (screwdriver): ",
    r"^(Turn the screw of saddle (\d+) by .*)Tune the string, then": r"\1Tune string \2, then",
    r"^(Slacken .*, then pluck string (\d+)) or confirm\. Its saddle (will move [^.]*\.\d mm [^.]*)\.": (
        r"Note where the saddle of string \2 is (rule, calliper or pencil mark): it \3. \1, or confirm."
    ),
    r"That is to (\d+) cents sharp of pitch\.": r"Its target is \1 cents above pitch.",
    r"That is to (\d+) cents flat of pitch\.": r"Its target is \1 cents below pitch.",
    r" target is 1 cents ": " target is 1 cent ",
    r"^Enough is heard of string (\d+): (.*)\. Go on when ready\.": (
        r"String \1 has enough readings: \2. Continue when ready."
    ),
    r"^Done, but for string (\d+): each says why\.": r"Done, except string \1; the record says why.",
    r"^Done, but for string (\d+, .*): each says why\.": r"Done, except strings \1; the record says why.",
    r"^Every string that was checked holds, as session (\S+) left it\.": (
        r"No drift found: every checked string is as session \1 left it."
    ),
    r"The strings are (\d+) days old, fresh ones are wanted after (\d+)": r"Strings \1 days old, over the limit of \2",
    r"The strings are (\d+) days old, of (\d+)": r"Strings \1 days old (limit \2)",
    r"Strings 1 days old": "Strings 1 day old",
    r"(\S+) of the (\S+) cents heard at (string \d+, (?:fret \d+|12th-fret harmonic)), are its doing": (
        r"explains \1 of the \2 cents measured at \3"
    ),
    r"(\S+ ± \S+ mm) of string taken up, alike on all frets, in the ratio of the strings' cores": (
        r"finger takes up \1 of string, the same at all frets, scaled by the core"
    ),
    r"every saddle asks for more, as for an action (\S+ ± \S+ mm) higher than in the file": (
        r"all saddles need more setback, as if the action were \1 above the file's"
    ),
    r"String (\d+) over fret 1": r"Height of string \1 over fret 1",
    r"\(tolerance 1 cents\)$": "(tolerance 1 cent)",
    r": taken as tuned$": ": accepted as tuned",
    r"(string \d+): (\d+) plucks to come \(": r"\1: \2 more plucks (",
    r"^(string \d+): to compare \(": r"\1: to be compared again (",
    r"^by hand: nothing advances by itself$": "by hand: each step waits for next",
    r"^hands free$": "hands free: steps follow by themselves",
    r"^to tune: (string \d+), [+]0 cents from pitch": r"tune \1 to pitch",
    r"^to tune: (string \d+), [-]0 cents from pitch": r"tune \1 to pitch",
    r"^to tune: (string \d+), [+](\d+) cents from pitch": r"tune \1 to \2 cents above pitch",
    r"^to tune: (string \d+), -(\d+) cents from pitch": r"tune \1 to \2 cents below pitch",
    r"^(tune string \d+ to 1) cents": r"\1 cent",
    r"^(tune string \d+ to .*, then string)( \d+, )": r"\1s\2",
    r"^in doubt: ": "unclear: ",
    r" did (\d+%) of what (?:it|they) should: ": r" had \1 of the expected effect: ",
}
"""The same where numbers have to move, as regular expressions and what replaces them; after ``TEXTS``."""


UNCOMPARED: tuple[str, ...] = (
    r"(?<=^Tune string \d)( (?:up|down) by [\d.]+ cents)? to [A-G]#?\d( [+-]\d+ cents)?(?=,)",
    r"(?<=^Tune string \d)( (?:up|down) by [\d.]+ cents)?( to pitch)?(?=,)",
    r" Its target is \d+ cents? (?:above|below) pitch\.",
    r" Meanwhile the other strings rise by up to \d+ cents: [^.]*\.",
    r"(?<=\. Tune string \d) to [A-G]#?\d( [+-]\d+ cents)?(, press [^,]*)?(?=, then pluck)",
)
"""Parts of texts, as regular expressions, that both sides may have: the pitch to tune to is told as a note now, which
can't be made of the golden text. The target itself, a number, is compared."""


def shortened(text: str) -> str:
    """Return a text without the parts that are not compared."""
    for pattern in UNCOMPARED:
        text = re.sub(pattern, "", text)
    return text


def reworded(text: str) -> str:
    """Return a golden text as it should be now."""
    for old, new in TEXTS.items():
        text = text.replace(old, new)
    for pattern, new in PATTERNS.items():
        text = re.sub(pattern, new, text)
    return text
