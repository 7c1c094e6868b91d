"""All answers of a study, in data and in sentences."""

from collections import Counter, defaultdict
from collections.abc import Callable, Collection, Iterator, Sequence
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
from schemas.base import Sku, Slug
from schemas.decision import ReasonCode
from schemas.station import Station
from schemas.study import (
    CurvePoint,
    Difference,
    FormAnswer,
    ManualCause,
    StudyAnswer,
    Totals,
)

CAUTIONS = (
    (
        "This is what past orders would have taken; orders to come may differ, and sizes and masses"
        " are as right as the catalogue. It advises and promises nothing."
    ),
    (
        "Try the sizes by hand with real goods before ordering. Loads, speeds, film and"
        " temperatures are bounded by the machine's manual and by local codes, which go before any"
        " figure here."
    ),
    (
        "Waiting supposes that every counted station is manned whenever orders come. Erlang C"
        " supposes that orders come singly and at random at one rate; waves wait longer."
    ),
)


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
        unbaggable=tuple(_causes(here, seen.wanted)),
        curve=tuple(points),
        look_at=points[look_at].sizes,
        forms=tuple(_forms(here, seen, looked, slots)),
        stations=tuple(stations),
        stock=tuple(stock),
        sentences=(),
        cautions=CAUTIONS,
    )
    return answer.model_copy(update={"sentences": _sentences(answer, here, questions)})


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
        text=_form_sentence(name, totals, against),
    )


def _form_sentence(name: str, totals: Totals, against: Difference | None) -> str:
    text = f"{name}: {totals.manual_share:.1%} of orders by hand"
    if against is None:
        return f"{text}, {totals.film_m2:.1f} m2 of film, {totals.film_kg:.1f} kg"
    if against.film_share is None:
        return f"{text}; no order is packed both with these and with today's bags"
    text += (
        f"; over the {against.orders} orders that today's bags take too:"
        f" {_less_or_more(against.film_m2, '.1f', ' m2 of film')} ({against.film_share:+.1%}),"
        f" {_less_or_more(against.film_kg, '.1f', ' kg')}"
    )
    if against.bag_cost is not None:
        text += f", {_less_or_more(against.bag_cost, '.2f', '')} for bags"
    return text


def _less_or_more(value: float, form: str, unit: str) -> str:
    return f"{abs(value):{form}}{unit} {'less' if value <= 0 else 'more'}"


def _causes(past: Past, wanted: Sequence[Wanted]) -> Iterator[ManualCause]:
    """Why orders fit none of the candidates, the most frequent first."""
    counts: Counter[tuple[str, str]] = Counter()
    articles: defaultdict[tuple[str, str], Counter[Sku]] = defaultdict(Counter)
    texts: dict[tuple[str, str, Sku], str] = {}
    for one, orders in zip(wanted, past.counts, strict=True):
        if one.cause is None:
            continue
        reason, sku = one.cause.reason, one.cause.sku or ""
        key = reason.code.value, reason.rule or ""
        counts[key] += orders
        texts.setdefault((*key, sku), _IN_OTHER_WORDS.get(reason.code, reason.text))
        if sku:
            articles[key][sku] += orders
    for key in sorted(counts, key=lambda key: (-counts[key], key)):
        named = _most(articles[key], 10)
        text = f"{named[0]}: {texts[*key, named[0]]}" if named else texts[*key, ""]
        yield ManualCause(code=key[0], text=text, orders=counts[key], articles=named)


_IN_OTHER_WORDS = {
    ReasonCode.NO_BAG_FITS: "no candidate takes the order, whole or in several parcels",
    ReasonCode.NO_SIZE: "the catalogue has no size for an article",
}


def _most(counts: Counter[str], most: int) -> tuple[str, ...]:
    """The most frequent, each name once."""
    return tuple(sorted(counts, key=lambda name: (-counts[name], name))[:most])


def _missing_sizes(past: Past) -> Iterator[str]:
    """Articles that nobody can fit, since nobody knows how large they are."""
    counts: Counter[Sku] = Counter()
    for order, orders in zip(past.contents, past.counts, strict=True):
        for sku in {line.item.sku for line in order.lines if line.item.size is None}:
            counts[sku] += orders
    if counts:
        named = ", ".join(f"{sku} ({counts[sku]})" for sku in _most(counts, 5))
        more = f" and {len(counts) - 5} more" if len(counts) > 5 else ""
        yield f"Articles without a size, to be measured first (orders): {named}{more}."


def _sentences(answer: StudyAnswer, past: Past, questions: Questions) -> tuple[str, ...]:
    unknown = _unknown_services(past, questions.room.services.keys())
    return *_opening(answer), *_missing_sizes(past), *unknown


def _unknown_services(past: Past, known: Collection[Slug]) -> Iterator[str]:
    counts: Counter[Slug] = Counter()
    for order, orders in zip(past.contents, past.counts, strict=True):
        if order.service is not None and order.service not in known:
            counts[order.service] += orders
    if counts:
        yield (
            "Orders that ask for a service that the site file does not know, whose limits and"
            f" prices were not counted: {counts.total()} ({', '.join(_most(counts, 5))})."
        )


def _opening(answer: StudyAnswer) -> Iterator[str]:
    days = f" on {answer.days:g} days" if answer.days else ""
    aim = answer.aim.value.replace("_", " ")
    yield (
        f"{answer.orders} orders{days}, {answer.contents} different, tried at station"
        f" {answer.station} for {aim}."
    )
    if answer.repeated:
        yield f"Lines that named an order again and were left out: {answer.repeated}."
    if answer.elsewhere:
        yield f"Orders left out, whose goods {answer.station} does not take: {answer.elsewhere}."
    by_hand = sum(cause.orders for cause in answer.unbaggable)
    if by_hand:
        yield f"Orders for manual packing, whatever candidate is stocked: {by_hand}."
    for cause in answer.unbaggable:
        others = f"; likewise {', '.join(cause.articles[1:])}" if cause.articles[1:] else ""
        yield f"  {cause.orders}: {cause.text}{others}."
