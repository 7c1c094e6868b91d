"""What a study found, in sentences."""

from collections import Counter, defaultdict
from collections.abc import Collection, Iterator, Sequence

from gateway.study.past import Past
from gateway.study.replay import Wanted
from schemas.base import Sku, Slug
from schemas.decision import ReasonCode
from schemas.study import Difference, ManualCause, StudyAnswer, Totals

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


def sentences_of(answer: StudyAnswer, past: Past, services: Collection[Slug]) -> tuple[str, ...]:
    """What the tables do not show: how many orders, which were left out or go by hand and why."""
    return *_opening(answer), *_missing_sizes(past), *_unknown_services(past, services)


def form_sentence(name: str, totals: Totals, against: Difference | None) -> str:
    """A way to stock the room against today's, over the orders that both pack."""
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


def causes_of(past: Past, wanted: Sequence[Wanted]) -> Iterator[ManualCause]:
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
