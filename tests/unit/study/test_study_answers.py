"""What a study says of small rooms whose answers can be worked out by hand."""

from datetime import UTC, timedelta, timezone

import pytest

from gateway.study import StudyWrong, questions_of, study
from gateway.study.changeovers import changes
from schemas.goods import Handling
from schemas.order import Purpose
from schemas.study import CountedBy, CurvePoint, PastOrder, StudyAnswer
from tests.unit.fit.given import box, opened, order, station
from tests.unit.study.planned import (
    MORNING,
    ON,
    SMALL_LABEL,
    answered,
    asked,
    orders_of,
    past_of,
    room_site,
    timed,
)

SMALL = box(90, 60, 10, sku="small")
MIDDLE = box(210, 160, 30, sku="middle")
LARGE = box(330, 270, 70, sku="large")
HUGE = box(900, 700, 500, sku="huge")


def _bags(answer: StudyAnswer) -> list[tuple[str, ...]]:
    return [point.bags for point in answer.curve]


def _film(point: CurvePoint) -> float:
    return point.totals.film_m2


def test_curve_of_three_goods_by_hand() -> None:
    """One size must be the largest that is needed; the second serves the many small orders; with a
    third each has the smallest bag that holds it. Ease is 15 mm across and 25 along, seals take 16,
    so 210 x 160 x 30 needs 205 x 281 and 330 x 270 x 70 needs 355 x 441."""
    answer = answered(timed(orders_of(SMALL, SMALL, SMALL, MIDDLE, LARGE)))
    assert [("o360",), ("o160", "o360"), ("o160", "o240", "o360")] == _bags(answer)[:3]
    areas = [2 * w * length / 1e6 for w, length in ((160, 240), (240, 340), (360, 500))]
    small, middle, large = areas
    expected = [5 * large, 3 * small + 2 * large, 3 * small + middle + large]
    assert expected == pytest.approx([_film(point) for point in answer.curve])
    assert "-0.8" in answer.curve[1].gain
    assert all(point.totals.manual == 0 for point in answer.curve)


def test_curve_ends_where_a_further_size_gains_nothing() -> None:
    """Three contents never need four sizes."""
    assert 3 == len(answered(timed(orders_of(SMALL, MIDDLE, LARGE))).curve)


def test_sizes_in_stock_are_kept() -> None:
    """A kept size counts as one and is in every choice; the curve begins with as many."""
    answer = answered(timed(orders_of(SMALL, MIDDLE, LARGE)), keep=["o440", "o300"])
    assert 2 == answer.curve[0].sizes
    assert all({"o440", "o300"} <= set(bags) for bags in _bags(answer))


def test_least_cost_may_choose_otherwise_than_least_film() -> None:
    """A size that is dear for its film is left out where cost counts."""
    dear = opened("o160", 160, 240, price_each=9.0)
    others = [opened("o240", 240, 340, price_each=0.1), opened("o360", 360, 500, price_each=0.2)]
    site = room_site(
        bag=[dear, *others, opened("big", 480, 640, price_each=0.4)],
        station=[room_site().station[0].model_dump()],
    )
    orders = timed(orders_of(SMALL, SMALL, SMALL, SMALL, MIDDLE, LARGE))
    some = {"candidates": ["o160", "o240", "o360"], "most_sizes": 2}
    film = answered(orders, site, aim="least_film", **some).curve[-1]
    cost = answered(orders, site, aim="least_cost", **some).curve[-1]
    assert (("o160", "o360"), ("o240", "o360")) == (film.bags, cost.bags)
    assert 5 * 0.1 + 0.2 == pytest.approx(cost.totals.bag_cost)


def test_sizes_of_one_price_are_level_where_cost_counts() -> None:
    """The larger takes more film and costs no more: by cost a second size gains nothing."""
    site = room_site(
        bag=[opened("o160", 160, 240, price_each=0.2), opened("o360", 360, 500, price_each=0.2)],
        station=[station("s1", printer=SMALL_LABEL)],
    )
    orders = timed(orders_of(SMALL, SMALL, LARGE))
    some = {"candidates": ["o160", "o360"]}
    (point,) = answered(orders, site, aim="least_cost", **some).curve
    assert ("o360",) == point.bags
    assert 2 == len(answered(orders, site, aim="least_film", **some).curve)


def test_of_two_bags_with_as_much_film_the_lighter_is_taken_as_by_the_fit() -> None:
    """One size in two films, both kept: the fit breaks the tie by mass, so the study does."""
    thick, thin = opened("thick", 360, 500), opened("thin", 360, 500, film="clear-40")
    for candidates in (["thick", "thin"], ["thin", "thick"]):
        answer = answered(
            timed(orders_of(LARGE)), bag=[thick, thin], candidates=candidates, keep=candidates
        )
        (point,) = answer.curve
        assert 2 * 0.36 * 0.5 * 40 * 0.92 / 1000 == pytest.approx(point.totals.film_kg)


def test_orders_that_nothing_takes_are_told_with_their_cause() -> None:
    """Too large for any candidate; without a size; dangerous."""
    unknown = box(90, 60, 10, sku="new").model_copy(update={"size": None})
    danger = box(90, 60, 10, sku="spirit", handling=Handling.model_validate({"dangerous": {}}))
    answer = answered(timed(orders_of(SMALL, HUGE, HUGE, unknown, danger)))
    causes = {cause.code: (cause.orders, cause.articles) for cause in answer.unbaggable}
    assert {"too_wide": (2, ("huge",)), "no_size": (1, ()), "dangerous_goods": (1, ())} == causes
    assert 4 == answer.curve[-1].totals.manual
    assert any("new (1)" in sentence for sentence in answer.sentences)


def test_article_that_spoils_an_order_is_named() -> None:
    """The station passes 60 mm: of two articles the thick one is to blame."""
    low = room_site(station=[station("s1", "big", max_goods_thickness_mm=60)])
    orders = timed([order(SMALL, box(250, 250, 80, sku="thick"))])
    (cause,) = answered(orders, low).unbaggable
    assert ("too_thick", ("thick",)) == (cause.code, cause.articles)
    assert "station s1 passes 60.0 mm" in cause.text


def test_study_of_nothing_but_unbaggable_orders_still_answers() -> None:
    """No size gains anything; the curve says so in one point."""
    (point,) = answered(timed(orders_of(HUGE))).curve
    assert ((), 1, 0.0) == (point.bags, point.totals.manual, point.totals.film_m2)


def test_service_that_nobody_knows_is_told() -> None:
    """Its limits can't be checked, so a study that kept silent would say too much."""
    answer = answered(timed([order(SMALL, service="by-balloon")]))
    assert any(
        "a service that the site file" in one and "1 (by-balloon)" in one
        for one in answer.sentences
    )


def test_service_makes_another_order_of_the_same_goods() -> None:
    """Its limits and prices decide."""
    services = [{"id": "near", "price_base": 1}, {"id": "far", "price_base": 7}]
    orders = [order(SMALL, order_id=name, service=name) for name in ("near", "far")]
    answer = answered(timed(orders), room_site(service=services), aim="least_film")
    assert 2 == answer.contents
    assert 1 + 7 + 2 * 0.16 * 0.24 == pytest.approx(answer.curve[-1].totals.cost)


def test_words_about_an_article_make_no_other_order() -> None:
    """Description and GTIN decide about no bag; an article's code may, by a rule."""
    alike = [SMALL, SMALL.model_copy(update={"description": "for Ilse", "gtin": "95212340"})]
    other = SMALL.model_copy(update={"sku": "small-2"})
    answer = answered(timed(orders_of(*alike, other)))
    assert (3, 2) == (answer.orders, answer.contents)


def test_goods_for_another_purpose_are_left_out_and_counted() -> None:
    """The station takes outbound goods only."""
    back = order(SMALL, order_id="back", purpose=Purpose.RETURN)
    answer = answered(timed([*orders_of(SMALL), back]))
    assert (1, 1) == (answer.orders, answer.elsewhere)
    with pytest.raises(StudyWrong, match="none of the orders is for station s1"):
        answered(timed([back]))


def test_alternatives_are_compared_over_orders_that_both_pack() -> None:
    """Today's bag takes the large goods, the tube does not: its film is held against the film of
    the small ones alone, and the share by hand tells the rest."""
    tube = {"name": "tube", "bags": ["tube"], "station": "s2"}
    answer = answered(timed(orders_of(SMALL, LARGE)), alternative=[tube])
    forms = {form.name: form for form in answer.forms}
    assert ["today", "chosen, 2 sizes", "tube"] == list(forms)
    against = forms["tube"].against_today
    assert against is not None
    assert (1, 0.5) == (against.orders, forms["tube"].totals.manual_share)
    # tubing 300 wide, its least length 150 too short for a label of 152.4 with margins and seals
    film = forms["tube"].totals.film_m2 - 2 * 480 * 640 / 1e6
    assert film == pytest.approx(against.film_m2)
    assert against.film_share == pytest.approx(film / (2 * 480 * 640 / 1e6))
    assert forms["today"].against_today is None


@pytest.mark.parametrize(
    ("row", "slots", "expected"),
    [
        ("aabba", 1, {"b": 1, "a": 1}),
        ("aabba", 2, {}),
        ("abcabc", 2, {"c": 2, "a": 1, "b": 1}),
        ("abacab", 2, {"c": 1, "b": 1}),
    ],
)
def test_changeovers_of_short_rows(row: str, slots: int, expected: dict[str, int]) -> None:
    """By hand: what was not used for longest leaves; filling empty slots is no change."""
    assert expected == changes(row, slots)


def test_changeovers_are_counted_in_the_order_of_time() -> None:
    """Small and large in turn at one slot: a change with each order after the first. The station
    says how long one takes."""
    in_turn = timed(orders_of(SMALL, LARGE, times=3))
    answer = answered(reversed(in_turn), slots=1)
    told = [point.totals.changeovers for point in answer.curve]
    assert [0, 5] == told
    assert 15.0 == answer.curve[1].totals.changeover_minutes
    assert 0 == answered(in_turn, slots=2).curve[1].totals.changeovers
    assert answered(in_turn).curve[1].totals.changeovers is None


def test_stock_to_order_by_hand() -> None:
    """20 small and 4 large orders on 2 days: for 10 days and a tenth more 110 and 22; in boxes of
    50 that is 3. One slot: large bags are loaded 4 times, 2 bags spoiled each time."""
    day = [*orders_of(*[SMALL] * 10, times=1), *orders_of(*[LARGE] * 2)]
    orders = [
        PastOrder(
            at=MORNING + timedelta(days=number, minutes=minute),
            order=one.model_copy(update={"order_id": f"{number}-{minute}"}),
        )
        for number in range(2)
        for minute, one in enumerate(day)
    ]
    packs = [{"bag": "o160", "pieces": 50}]
    answer = answered(orders, reserve={"cover_days": 10, "margin_share": 0.1}, pack=packs)
    small, large = answer.stock
    assert ("o160", 20, 10.0, 10, 110, 3) == (
        small.bag,
        small.pieces,
        small.pieces_per_day,
        small.busiest_day_pieces,
        small.pieces_to_order,
        small.packs_to_order,
    )
    assert ("o360", 4, 22, None) == (
        large.bag,
        large.pieces,
        large.pieces_to_order,
        large.packs_to_order,
    )
    spoiled = {one.bag: one.spoiled for one in answered(orders, reserve={}, slots=1).stock}
    # changes: to large on each day, back to small on the second
    assert {"o160": 2, "o360": 4} == spoiled
    assert answered(orders[:2], reserve={}).days == 1


def test_tubing_is_ordered_by_length() -> None:
    """One tube width as the only candidate, on rolls of 4 m. Laid with its longer side across,
    210 x 160 x 30 needs 255 x 231, so each of 20 bags is cut at 235 from tubing of 300."""
    parcels = timed(orders_of(*[MIDDLE] * 20))
    pack = {"bag": "tube", "metres": 4}
    one = answered(
        parcels, candidates=["tube"], reserve={"cover_days": 1, "margin_share": 0}, pack=[pack]
    ).stock[0]
    assert 4.7 == pytest.approx(one.metres)
    assert 20 * 2 * 0.3 * 0.235 == pytest.approx(one.film_m2)
    assert (pytest.approx(4.7), 2) == (one.metres_to_order, one.packs_to_order)


def test_days_are_the_site_s_own() -> None:
    """Half past eleven at night in London is another day further east."""
    late = MORNING.replace(hour=23, minute=30)
    orders = [
        PastOrder(at=at, order=order(SMALL, order_id=f"{n}"))
        for n, at in enumerate((late, late + timedelta(hours=1)))
    ]
    questions = questions_of(asked(), room_site())
    past = past_of(questions, orders)
    east = timezone(timedelta(hours=2))
    assert 2 == study(past, questions, UTC, on=ON).days
    assert 1 == study(past, questions, east, on=ON).days


def test_stations_by_replay_by_hand() -> None:
    """An order each 10 s that holds a station 25 s needs three stations; two fall behind."""
    orders = timed(orders_of(*[SMALL] * 200), minutes=1 / 6)
    goal = {
        "seconds_per_bag": 20,
        "availability": 0.8,
        "start_within_s": 5,
        "share_within": 0.95,
    }
    replay, formula = answered(orders, stations=goal).stations
    assert (CountedBy.REPLAY, 3, 25.0) == (replay.by, replay.stations, replay.seconds_per_order)
    rows = {row.stations: row for row in replay.tried}
    assert 1.0 == rows[3].share_within
    assert 0.0 == rows[3].longest_wait_s
    assert rows[2].share_within < 0.05
    assert [1, 2, 3, 4, 5] == sorted(rows)
    # random arrivals of the busiest hour want more than even ones
    assert (CountedBy.FORMULA, 200.0) == (formula.by, formula.orders_per_hour)


def test_pieces_and_parcels_hold_a_station_longer() -> None:
    """10 s an order, 20 s a bag, 2 s a piece, at full availability: 36 s for three pieces."""
    goal = {
        "seconds_per_order": 10,
        "seconds_per_bag": 20,
        "seconds_per_piece": 2,
        "availability": 1,
    }
    answer = answered(timed([order((SMALL, 3))]), stations=goal)
    assert 36.0 == answer.stations[0].seconds_per_order


def test_stations_without_times_want_a_rate() -> None:
    """Erlang C at a stated rate needs no times; without both the study says what to give."""
    orders = [PastOrder(order=one) for one in orders_of(SMALL, MIDDLE)]
    goal = {"seconds_per_bag": 60, "availability": 1, "start_within_s": 60, "share_within": 0.9}
    (formula,) = answered(orders, stations=goal | {"peak_orders_per_hour": 120}).stations
    # 2 erlangs; 3 stations: 4/9 wait, 1 - 4/9 exp(-1) = 0.8365 in time; 4 stations: 0.9765
    assert (CountedBy.FORMULA, 4) == (formula.by, formula.stations)
    rows = {row.stations: row.share_within for row in formula.tried}
    assert 0.8365 == pytest.approx(rows[3], abs=5e-5)
    with pytest.raises(StudyWrong, match=r"2 of 2 orders have no time.*peak_orders_per_hour"):
        answered(orders, stations=goal)


def test_stock_without_times_wants_days() -> None:
    """Or nobody can tell what a day takes."""
    orders = [PastOrder(order=one) for one in orders_of(SMALL, times=6)]
    (one,) = answered(orders, reserve={"days": 3, "cover_days": 1, "margin_share": 0}).stock
    assert (2.0, 2, None) == (one.pieces_per_day, one.pieces_to_order, one.busiest_day_pieces)
    with pytest.raises(StudyWrong, match=r"state reserve\.days"):
        answered(orders, reserve={})


@pytest.mark.parametrize(
    ("wrong", "text"),
    [
        ({"station": "s9"}, "no station 's9'.*s1, s2"),
        ({"candidates": ["o160", "o999"]}, "candidates: there is no bag 'o999'"),
        ({"keep": ["big"]}, "'big' is not among the candidates"),
        ({"keep": ["o160", "o200"], "most_sizes": 1}, "keep names 2 sizes and most_sizes allows 1"),
        ({"look_at": 4, "most_sizes": 3}, "look_at = 4 is not between 1 and most_sizes = 3"),
        ({"bag": [opened("o160", 1, 1)]}, "named twice.*bag o160"),
        ({"bag": [opened("x", 100, 100) | {"film": "none"}]}, "bag x: there is no film 'none'"),
        ({"pack": [{"bag": "o9", "pieces": 5}]}, "pack: there is no bag 'o9'"),
        ({"alternative": [{"name": "a", "bags": ["q"]}]}, "alternative 'a': there is no bag 'q'"),
        (
            {"aim": "least_cost", "bag": [opened("x", 200, 300)], "candidates": ["x"]},
            "no price is known for x: state price_each",
        ),
    ],
)
def test_questions_that_do_not_fit_the_site(wrong: dict[str, object], text: str) -> None:
    """The error says what is wrong and what there is."""
    with pytest.raises(StudyWrong, match=text):
        questions_of(asked(**wrong), room_site())


def test_no_orders_and_two_orders_of_one_name_are_refused() -> None:
    """Nothing to study; and an id that stands for two different orders."""
    questions = questions_of(asked(), room_site())
    with pytest.raises(StudyWrong, match="no orders to study"):
        past_of(questions, [])
    twice = [order(SMALL, order_id="x"), order(LARGE, order_id="x")]
    with pytest.raises(StudyWrong, match="order x comes twice with different goods"):
        past_of(questions, timed(twice))


def test_no_name_or_address_is_kept() -> None:
    """Of a place only a country stays, and only where a rule asks for it."""
    rule = {"name": "far", "when": {"order": {"country": ["SE"]}}, "effect": {"ease_along_mm": 40}}
    questions = questions_of(asked(), room_site(rule=[rule]))
    place = {"name": "Ilse Beispiel", "lines": ["Beispielweg 1"], "city": "Beispielstadt"}
    orders = [
        order(SMALL, order_id=f"o-{country}", ship_to=place | {"country": country})
        for country in ("SE", "DE", "FR")
    ]
    past = past_of(questions, timed(orders))
    assert 2 == len(past.contents)
    text = "".join(one.model_dump_json() for one in past.contents)
    assert "Beispiel" not in text
    assert {"SE", None} == {one.ship_to and one.ship_to.country for one in past.contents}
