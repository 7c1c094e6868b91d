"""A study from past orders to all its answers."""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import date, tzinfo

from gateway.study.curve import Chosen, choices, point_of
from gateway.study.errors import StudyWrong
from gateway.study.past import Past
from gateway.study.questions import Questions
from gateway.study.replay import Answer, Replay, Wanted
from gateway.study.stations import stations_for
from gateway.study.stock import stock_of, working_days
from gateway.study.totals import Stocked, difference, totals_of
from gateway.study.words import CAUTIONS, causes_of, form_sentence, sentences_of
from schemas.station import Station
from schemas.study import CurvePoint, FormAnswer, StudyAnswer

Told = Callable[[int, int], None]
"""Told how much of how much is done."""


def study(
    past: Past,
    questions: Questions,
    zone: tzinfo,
    *,
    on: date | None = None,
    told: Told = lambda _done, _of: None,
) -> StudyAnswer:
    """Replay past orders and answer all that is asked.

    `on` picks the dated rules of services. `told` hears how far the work is. Raises `StudyWrong`.
    """
    here = _taken(past, questions.station)
    asked, slots = questions.asked, questions.asked.slots
    seen = _replayed(here, questions, on, told)
    points = _points(here, seen, slots)
    look_at = next((n for n, p in enumerate(points) if p.sizes == asked.look_at), len(points) - 1)
    looked = seen.chosen[look_at][1]
    stations = stations_for(here, looked, asked.stations) if asked.stations else []
    packs = {pack.bag: pack for pack in asked.pack}
    reserve, bags = asked.reserve, questions.room.bags
    stock = stock_of(here, looked, bags, reserve, packs, slots, zone) if reserve else []
    times = [call.at for call in here.calls if call.at]
    answer = StudyAnswer(
        orders=sum(here.counts),
        contents=len(here.contents),
        repeated=past.repeated,
        elsewhere=sum(past.counts) - sum(here.counts),
        first=times[0] if times else None,
        last=times[-1] if times else None,
        days=working_days(here, zone) or (reserve.days if reserve else None),
        aim=questions.aim,
        station=questions.station.id,
        unbaggable=tuple(causes_of(here, seen.wanted)),
        curve=tuple(points),
        look_at=points[look_at].sizes,
        forms=tuple(_forms(here, seen, looked, slots)),
        stations=tuple(stations),
        stock=tuple(stock),
        sentences=(),
        cautions=CAUTIONS,
    )
    return answer.model_copy(
        update={"sentences": sentences_of(answer, here, questions.room.services)}
    )


@dataclass(frozen=True, slots=True)
class _Seen:
    """Every answer of the fit that a study is made of."""

    wanted: Sequence[Wanted]
    chosen: Sequence[tuple[Chosen, Stocked]]
    listed: Sequence[tuple[str, Stocked]]
    """Today's bags first, where they are known, then the alternatives."""
    today: Stocked | None


def _taken(past: Past, station: Station) -> Past:
    here = past.taken_by(station.purposes)
    if not here.contents:
        takes = " and ".join(purpose.value for purpose in station.purposes)
        raise StudyWrong(f"none of the orders is for station {station.id}: it takes {takes} goods")
    return here


def _points(past: Past, seen: _Seen, slots: int | None) -> list[CurvePoint]:
    points: list[CurvePoint] = []
    for chosen, stocked in seen.chosen:
        totals = totals_of(past, stocked, slots)
        points.append(point_of(chosen, totals, points[-1] if points else None))
    return points


def _replayed(past: Past, questions: Questions, on: date | None, told: Told) -> _Seen:
    """Ask the fit. All that concerns one content is asked at once, while its front is at hand."""
    asked, whole = questions.asked, 2 * len(past.contents)
    replay = Replay(questions.room, questions.station, past.contents, questions.aim, on)
    candidates = tuple(dict.fromkeys(asked.candidates))
    lists = [*([questions.today] if questions.today else []), *questions.others]
    replays = [replace(replay, station=one.station) for one in lists]
    wanted: list[Wanted] = []
    heard: list[list[Answer]] = [[] for _ in lists]
    for content in range(len(past.contents)):
        wanted.append(replay.wanted(content, candidates))
        for one, asking, answers in zip(lists, replays, heard, strict=True):
            answers.append(asking.answer(content, one.bags))
        told(content + 1, whole)
    chosen = choices(past, questions.aim, wanted, candidates, asked.keep, asked.most_sizes)
    found: list[list[Answer]] = [[] for _ in chosen]
    for content, want in enumerate(wanted):
        for choice, answers in zip(chosen, found, strict=True):
            answers.append(replay.answer_with(content, want, choice.bags))
        told(len(past.contents) + content + 1, whole)
    listed = [
        (one.name, Stocked(one.bags, one.station, tuple(answers)))
        for one, answers in zip(lists, heard, strict=True)
    ]
    return _Seen(
        wanted=wanted,
        chosen=[
            (choice, Stocked(choice.bags, questions.station, tuple(answers)))
            for choice, answers in zip(chosen, found, strict=True)
        ],
        listed=listed,
        today=listed[0][1] if questions.today else None,
    )


def _forms(past: Past, seen: _Seen, looked: Stocked, slots: int | None) -> Iterator[FormAnswer]:
    """Today's bags, the chosen sizes and each alternative."""
    count = len(looked.bags)
    ours = (f"chosen, {count} size{'' if count == 1 else 's'}", looked)
    first = int(seen.today is not None)
    for name, stocked in [*seen.listed[:first], ours, *seen.listed[first:]]:
        today = None if stocked is seen.today else seen.today
        yield _form(name, past, stocked, today, slots)


def _form(
    name: str, past: Past, stocked: Stocked, today: Stocked | None, slots: int | None
) -> FormAnswer:
    totals = totals_of(past, stocked, slots)
    against = difference(past, stocked, today) if today is not None else None
    return FormAnswer(
        name=name,
        station=stocked.station.id,
        bags=stocked.bags,
        totals=totals,
        against_today=against,
        text=form_sentence(name, totals, against),
    )
