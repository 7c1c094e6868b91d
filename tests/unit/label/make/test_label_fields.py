"""What a label says of orders, parcels and items."""

import pytest
from rigs.label_demo import CODE, ITEM, ORDER, PARCEL, SENDER, WARNING

from gateway.label import DataRefused, item_fields, order_fields, parcel_fields, warning_type_pt


@pytest.mark.parametrize(
    ("inches", "points"), [(29.9, 10), (30, 14), (39.9, 14), (40, 18), (59.9, 18), (60, 24)]
)
def test_type_size_of_a_warning(inches: float, points: int) -> None:
    """Length plus width sets the least type size.

    Source: Rhode Island General Laws 11-9-16, California Business and Professions Code 22202.
    """
    assert points == warning_type_pt(inches * 25.4 / 3, inches * 25.4 * 2 / 3 + 1e-9)


def test_every_unknown_is_an_empty_text() -> None:
    """An order without addresses has the same field names as one with them."""
    bare = order_fields(ORDER.model_copy(update={"ship_to": None, "ship_from": None}))
    assert order_fields(ORDER).keys() == bare.keys()
    assert "" == bare["ship_to.name"]


def test_fields_are_frozen() -> None:
    """Nobody changes fields after they were made."""
    with pytest.raises(TypeError):
        order_fields(ORDER)["order_id"] = "x"  # type: ignore[index]


def test_wrong_sscc_makes_no_fields() -> None:
    """A parcel with a wrong SSCC is refused before any label is laid out."""
    wrong = CODE[:-1] + str((int(CODE[-1]) + 1) % 10)
    with pytest.raises(DataRefused, match=r"\(00\)"):
        parcel_fields(ORDER, PARCEL, sscc=wrong, number=1, of=1, ship_from=SENDER)


@pytest.mark.parametrize("order_id", ["with space", "ünicode", "x" * 31])
def test_order_number_that_gs1_cannot_carry_stays_out_of_the_symbol(order_id: str) -> None:
    """It is printed as text and left out of AI 400; it is never altered to fit."""
    fields = order_fields(ORDER.model_copy(update={"order_id": order_id}))
    assert order_id == fields["order_id"]
    assert "" == fields["order_gs1"]


def test_parcel_says_its_place_and_reprint() -> None:
    """Parcel two of three, third print: numbers as text, a first print has no reprint mark."""
    again = parcel_fields(ORDER, PARCEL, sscc=CODE, number=2, of=3, ship_from=SENDER, reprint=2)
    assert ("2", "3", "2") == (again["number"], again["of"], again["reprint"])
    assert "" == parcel_fields(ORDER, PARCEL, sscc=CODE, number=1, of=1, ship_from=None)["reprint"]


def test_item_without_gtin_is_named_by_its_sku() -> None:
    """The code of an item is its GTIN, else its SKU; a wrong GTIN is refused."""
    assert "TEE-M-BLUE" == item_fields(None, ITEM.model_copy(update={"gtin": None}))["code"]
    with pytest.raises(DataRefused, match="check digit"):
        item_fields(None, ITEM.model_copy(update={"gtin": "9521234000010"}))


def test_marks_are_those_that_the_item_asks_for() -> None:
    """Four handling needs give four marks; none give none."""
    fields = item_fields(ORDER, ITEM, warning=WARNING)
    assert ["4", "fragile", "this-way-up", "liquid", "sharp"] == [
        fields["mark.count"], *(fields[f"mark.{n}.name"] for n in range(1, 5))
    ]  # fmt: skip
