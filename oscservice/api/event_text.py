"""One line of plain words for each change of state: the daemon prints it and sends it as ``/event``."""

from __future__ import annotations

import json

from oscservice.advice.correction import SHOWN_MM, direction_of
from oscservice.instrument.pitch import Place
from oscservice.instrument.spec import Instrument
from oscservice.sentences.plural import counted, numbered
from oscservice.sentences.sentence_table import ENGLISH, Sentences
from oscservice.session import events as ev
from oscservice.session.event_values import finding_of
from oscservice.session.prompts import missed_text
from oscservice.session.vocabulary import Drift, Status, place_text

_QUOTING = (ev.SessionBegun, ev.ItemInspected, ev.StringSetAside)
"""Events whose lines have a person's words, in which no length is converted."""


def sentence(event: ev.Event, sentences: Sentences = ENGLISH) -> str | None:
    """Return an event as one line for a person, or None for an event that needs no line of its own.

    The line is English; its lengths are in the unit of the table of sentences.
    """
    line = _line(event)
    return line if line is None or isinstance(event, _QUOTING) else sentences.told(line)


def _line(event: ev.Event) -> str | None:
    match event:
        case ev.SessionBegun(label=label, tolerance_cents=tolerance):
            tuning = Instrument.from_json(event.instrument).tuning
            how = f"tolerance {counted(tolerance, 'cent')}" + (f", tuning {tuning}" if tuning else "")
            return f"session begun: {label} ({how})"
        case ev.ItemInspected(item=item, verdict=verdict, note=note):
            return f"inspection: {item} {verdict}" + (f" ({note})" if note else "")
        case ev.ItemMeasured(text=text, left=left):
            return f"{'as left' if left else 'measured'}: {text}"
        case ev.StringsFitted(day=day, text=text):
            return f"strings fitted on {day}" + (f": {text}" if text else "")
        case ev.StringsDescribed(text=text):
            return text
        case ev.ChangeNoticed(text=text):
            return f"since the last session: {text}"
        case ev.PhaseEntered(phase=phase):
            return f"phase: {phase}"
        case ev.TunedByHand(string=string):
            return f"string {string}: accepted as tuned"
        case ev.TargetsSet():
            return _targets(event)
        case ev.ReadingDoubted():
            return _doubted(event)
        case ev.ReadingDiscarded(string=0):
            return "the unclear pluck is not used"
        case ev.ReadingDiscarded(string=string):
            return f"string {string}: last pluck discarded"
        case ev.StringJudged():
            return _judged(event)
        case ev.CauseNamed(finding=finding):
            return f"cause: {finding_of(finding).text}"
        case ev.SurveyExtended(plucks=plucks, why=why):
            return f"comparing again, {counted(plucks, 'pluck')} per fret in all: {why}"
        case ev.StringOverruled(string=string):
            return f"string {string}: advised despite its cause (overruled)"
        case ev.ResponseLearnt(oddity=oddity) if oddity:
            return oddity
        case ev.ScatterFound(string=string, scatter_cents=scatter):
            return f"string {string}: plucks scatter by {scatter:.1f} cents; starting again"
        case ev.StringSlackened(string=string, heard=heard):
            return f"string {string}: slackened" + (" (heard)" if heard else "")
        case ev.SaddleMoved(string=string, mm=mm) if abs(mm) < SHOWN_MM / 2.0:
            return f"string {string}: saddle left where it was"
        case ev.SaddleMoved(string=string, mm=mm, told=reported):
            return f"string {string}: saddle moved {mm:+.1f} mm" + ("" if reported else ", as advised")
        case ev.FineTunersCentred():
            return "fine tuners in the middle"
        case ev.NutClamped(closed=closed):
            return f"nut clamps {'closed' if closed else 'open'}"
        case ev.ActionChecked():
            return "action measured again"
        case ev.SaddleMeasured(string=string, at_mm=at_mm):
            return f"string {string}: saddle read at {at_mm:.2f} mm"
        case ev.MissedStepNoticed():
            return f"noticed: {missed_text(event, ENGLISH)}"
        case ev.StringProved(string=string, error_cents=error, se_cents=se):
            return f"string {string}: proved, {error:+.1f} ± {se:.1f} cents"
        case ev.PlucksForeseen(string=string, left=left, why=why) if why and left > 1:
            return f"string {string}: {counted(left, 'more pluck')} ({why})"
        case ev.HarmonicPassedOver(string=string):
            return f"string {string}: the last pass leaves out the harmonic"
        case ev.StringReopened(string=string, why=why):
            return f"string {string}: to be compared again ({why})"
        case ev.StringSetAside(string=string, reason=reason):
            return f"string {string}: set aside ({reason})"
        case ev.StringChecked():
            return _checked(event)
        case ev.ByHandSet(on=on):
            return "by hand: each step waits for next" if on else "hands free: steps follow by themselves"
        case ev.ListeningSet(on=on):
            return "listening" if on else "not listening"
        case ev.SessionClosed(outcome=outcome):
            return f"session closed: {outcome}"
        case ev.TakenBack():
            return "last step undone"
    return None


def _targets(event: ev.TargetsSet) -> str:
    """Return the target of the first string of a round, and which strings follow it."""
    numbers = [int(n) for n in event.awaiting.split()]
    if not numbers:
        return "the round of tuning is done"
    first, *others = numbers
    cents = round(float(event.targets_cents.split()[first - 1]))
    target = f"{counted(abs(cents), 'cent')} {'above' if cents > 0 else 'below'} pitch" if cents else "pitch"
    then = f", then {numbered('string', others)}" if others else ""
    part = f" ({event.share:.0%} of the way)" if event.share < 1.0 else ""
    return f"tune string {first} to {target}{then}{part}"


def _doubted(event: ev.ReadingDoubted) -> str:
    bodies = json.loads(event.first), json.loads(event.second)
    first, second = (place_text(body["string"], Place.parse(body["place"])) for body in bodies)
    return f"unclear: {first} ({event.probability:.0%}) or {second} ({event.second_probability:.0%})"


def _checked(event: ev.StringChecked) -> str:
    tuning = f"tuning {event.tuning_cents:+.1f} ± {event.tuning_se_cents:.1f}"
    intonation = f"intonation {event.intonation_cents:+.1f} ± {event.intonation_se_cents:.1f} cents"
    way = {Drift.TUNING: " in tuning", Drift.INTONATION: " in intonation", Drift.BOTH: " in both ways"}
    verdict = event.verdict + way.get(Drift(event.what), "")
    return f"string {event.string}: {verdict}: {tuning}, {intonation}"


def _judged(event: ev.StringJudged) -> str:
    line = f"string {event.string}: {event.error_cents:+.1f} ± {event.se_cents:.1f} cents, {event.status}"
    if event.status == Status.TO_MOVE:
        line += f" {abs(event.move_mm):.1f} mm {event.direction}"
    if event.missing_mm > 0.0:
        line += f" ({event.missing_mm:.1f} mm of travel missing)"
    if event.ambiguous and event.ambiguity_mm is not None:
        line += f"; by the string pitch {abs(event.ambiguity_mm):.1f} mm further {direction_of(event.ambiguity_mm)}"
    return line
