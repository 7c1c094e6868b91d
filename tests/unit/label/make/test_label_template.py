"""Template files: what they may say, and faults that name their line."""

import io
from typing import Any

import pytest
from PIL import Image
from rigs.label_demo import CODE, LABEL_SIZES, fields_for, printer_for
from rigs.zpl import dots, read_symbols

from gateway.label import (
    DataRefused,
    LabelError,
    SymbolTooLarge,
    TemplateFault,
    TextRefused,
    builtin_names,
    builtin_template,
    load_template,
    make,
    picture,
)
from schemas.station import Printer

PRINTER = Printer(label_width_mm=60, label_height_mm=40)
HEAD = "width_mm = 60\nheight_mm = 40\n"


def drawn(body: str, fields: dict[str, str] | None = None) -> Any:
    """Ink of a small label."""
    template = load_template(HEAD + body, "small")
    png = picture(template, fields or {}, PRINTER, form="png")
    return dots(Image.open(io.BytesIO(png)))


def box_of(ink: Any) -> tuple[int, int, int, int]:
    """Left, top, right, bottom of the ink, in dots."""
    rows, columns = ink.any(axis=1).nonzero()[0], ink.any(axis=0).nonzero()[0]
    return int(columns[0]), int(rows[0]), int(columns[-1]), int(rows[-1])


@pytest.mark.parametrize(
    ("body", "line", "said"),
    [
        ("[[text]]\nat_mm = [1, 1]\ntext = 'x'\n", 3, "state capital_mm or type_pt"),
        ("[[text]]\nat_mm = [1, 1]\ntext = 'x'\ntxt = 'x'\ncapital_mm = 2\n", 6, "text.0.txt"),
        ("[[text]]\nat_mm = [1, 1]\ntext = '{Order}'\ncapital_mm = 2\n", 5, "braces hold a field"),
        ("[[symbol]]\nat_mm = [1, 1]\nbox_mm = [9, 9]\nkind = 'qrr'\n", 6, "symbol.0.kind"),
        ("[[box]]\nat_mm = [1, 1]\nsize_mm = [5]\n", 5, "box.0.size_mm"),
        ("title = 'a'\ntitle = 'b'\n", 4, "no TOML"),
        ("[[text]]\nat_mm = [1, 1\ntext = 'x'\n", 5, "no TOML"),
        (
            (
                "[[repeat]]\nover = 'l'\nat_mm = [1, 1]\nstep_mm = [0, 5]\nmost = 3\n"
                "[[repeat.text]]\nat_mm = [0, 0]\ntext = 'a'\ncapital_mm = 2\n"
                "[[repeat.text]]\nat_mm = [0, 0]\ntext = 'b'\ncapital_mm = -2\n"
            ),
            15,
            "repeat.0.text.1.capital_mm",
        ),
        ('[[text]]\nat_mm = [1, 1]\ntext = """\n[[box]]\n"""\ncapital_mm = 0\n', 8, "capital_mm"),
    ],
)  # fmt: skip
def test_fault_names_its_line(body: str, line: int, said: str) -> None:
    """Every fault of a file says which line it is on and what is wrong there."""
    with pytest.raises(TemplateFault) as fault:
        load_template(HEAD + body, "wrong")
    assert line == fault.value.line, str(fault.value)
    assert said in str(fault.value)


@pytest.mark.parametrize(
    ("body", "said"),
    [
        ("[[box]]\nat_mm = [50, 1]\nsize_mm = [20, 5]\n", "reaches 10.00 mm beyond the right edge"),
        ("[[box]]\nat_mm = [1, 38]\nsize_mm = [5, 5]\n", "reaches 3.00 mm beyond the lower edge"),
        (
            "[[image]]\nat_mm = [1, 1]\nbox_mm = [9, 9]\nmark = 'skull'\n",
            "there is no mark 'skull'",
        ),
        ("[[image]]\nat_mm = [1, 1]\nbox_mm = [9, 9]\nrows = '#x'\n", "rows are lines of # and ."),
    ],
)
def test_element_off_the_label_is_refused(body: str, said: str) -> None:
    """What does not lie on the label is refused with its line before anything is printed."""
    template = load_template(HEAD + body, "wrong")
    with pytest.raises(TemplateFault, match=r"line 3: ") as fault:
        make(template, {}, PRINTER)
    assert said in str(fault.value)


def test_positions_count_from_any_edge() -> None:
    """Negative positions and sizes count from the right and the bottom edge."""
    ink = drawn("[[box]]\nat_mm = [-20, -10]\nsize_mm = [-5, -2]\nfill = true\n")
    assert (320, 240, 439, 303) == box_of(ink)


def test_capital_height_is_what_the_template_says() -> None:
    """A capital of 4 mm is 32 dots tall at 8 dots per mm and begins at the top of its box."""
    ink = drawn("[[text]]\nat_mm = [5, 5]\ntext = 'H'\ncapital_mm = 4\nbold = true\n")
    left, top, _, bottom = box_of(ink)
    assert abs(32 - (bottom - top + 1)) <= 1
    assert abs(40 - top) <= 1
    assert 40 <= left <= 44


@pytest.mark.parametrize("turn", [0, 90, 180, 270])
def test_turned_text_stays_in_its_box(turn: int) -> None:
    """A text lies in its box at every turn, and is the upright one turned."""
    body = "[[text]]\nat_mm = [10, 10]\nbox_mm = [{}, {}]\ntext = 'Fg'\ncapital_mm = 4\nturn = {}\n"
    size = (20, 10) if turn in (0, 180) else (10, 20)
    left, top, right, bottom = box_of(drawn(body.format(*size, turn)))
    assert min(left, top) >= 79  # a hinted capital may be a dot taller than its share of the size
    assert right <= 80 + size[0] * 8
    assert bottom <= 80 + size[1] * 8
    upright = box_of(drawn(body.format(20, 10, 0)))
    width, height = upright[2] - upright[0], upright[3] - upright[1]
    assert {width, height} == {right - left, bottom - top}


def test_empty_lines_and_conditions() -> None:
    """A line that comes out empty is left out; an element whose condition fails is not drawn."""
    text = "[[text]]\nat_mm = [5, 5]\ntext = '''\nA\n{b}\nC'''\ncapital_mm = 3\n"
    two, three = drawn(text, {"b": ""}), drawn(text, {"b": "B"})
    assert box_of(two)[3] < box_of(three)[3]
    box = "[[box]]\nat_mm = [1, 1]\nsize_mm = [5, 5]\nwhen = ['a', '!b']\n"
    assert drawn(box, {"a": "x", "b": ""}).any()
    assert not drawn(box, {"a": "x", "b": "y"}).any()
    assert not drawn(box, {"a": "", "b": ""}).any()
    service = "[[box]]\nat_mm = [1, 1]\nsize_mm = [5, 5]\nwhen = ['service=express', '!a=x']\n"
    assert drawn(service, {"service": "express", "a": "y"}).any()
    assert not drawn(service, {"service": "economy", "a": "y"}).any()
    assert not drawn(service, {"service": "express", "a": "x"}).any()


def test_missing_field_is_an_error_and_optional_one_is_not() -> None:
    """A field that is not there refuses the label unless the template marks it with `?`."""
    body = "[[text]]\nat_mm = [5, 5]\ntext = '{who%s} here'\ncapital_mm = 3\n"
    with pytest.raises(LabelError, match="needs the field 'who'"):
        drawn(body % "")
    assert drawn(body % "?").any()


def test_needed_field_that_is_empty_refuses_the_label() -> None:
    """`needs` names the fields without which there is no label."""
    fields = {**fields_for("parcel-4x6"), "sscc": ""}
    with pytest.raises(LabelError, match="needs the field 'sscc'"):
        make(builtin_template("parcel-4x6"), fields, printer_for("parcel-4x6", 8.0))


def test_text_shrinks_wraps_is_cut_or_refused() -> None:
    """Too long a text shrinks as far as allowed, wraps, is cut where allowed, else is refused."""
    head = "[[text]]\nat_mm = [5, 5]\nbox_mm = [30, 12]\ntext = '{t}'\ncapital_mm = 3\n"
    long = {"t": "Some text that is too long"}
    with pytest.raises(TextRefused, match=r"line 3: .* does not fit 30\.0 x 12\.0 mm"):
        drawn(head, long)
    assert box_of(drawn(head + "least_mm = 1.2\n", long))[2] < 35 * 8
    wrapped = box_of(drawn(head + "wrap = true\nleast_mm = 1.5\n", long))
    assert wrapped[3] - wrapped[1] > 3 * 8 * 1.5
    assert box_of(drawn(head + "overflow = 'cut'\n", long))[2] < 35 * 8


def test_repeat_says_how_many_it_left_out() -> None:
    """Blocks beyond the room become one line that counts them, or an error; none is dropped."""
    body = (
        "[[repeat]]\nover = 'line'\nat_mm = [2, 2]\nstep_mm = [0, 8]\nmost = 3\n{}"
        "[[repeat.text]]\nat_mm = [0, 0]\ntext = '{{line.sku}}'\ncapital_mm = 2\n"
    )
    fields = {"line.count": "5", **{f"line.{n}.sku": f"S{n}" for n in range(1, 6)}}
    with pytest.raises(LabelError, match="5 of 'line', the label has room for 3"):
        drawn(body.format(""), fields)
    template = load_template(
        HEAD + "letters = 'printer'\n" + body.format("more = 'and {more} more'\n"), "small"
    )
    stream = make(template, fields, PRINTER).content
    assert [b"S1", b"S2", b"and 3 more"] == [
        part.split(b"^FS")[0] for part in stream.split(b"^FD")[1:]
    ]


@pytest.mark.parametrize("name", builtin_names())
def test_every_template_goes_on_its_label_at_every_resolution(name: str) -> None:
    """Each template that comes along is made at 203, 300 and 600 dpi in both languages."""
    for dots_per_mm in (8.0, 300 / 25.4, 12.0, 600 / 25.4):
        for language in ("zpl", "epl"):
            printer = printer_for(name, dots_per_mm, language=language)
            made = make(builtin_template(name), fields_for(name), printer)
            width, height = LABEL_SIZES.get(name, (101.6, 152.4))
            assert (min(width, 104.0), height) == (made.width_mm, made.height_mm)


def test_a6_is_wider_than_a_common_head() -> None:
    """A6 has 840 dots at 8 dots/mm, a 104 mm head 832: nothing is placed where no dot is."""
    made = make(builtin_template("parcel-a6"), fields_for("parcel-a6"), printer_for("parcel-a6", 8))
    assert b"^PW832" in made.content
    assert 104.0 == made.width_mm


def test_four_inches_are_no_whole_number_of_dots() -> None:
    """101.6 mm are 812.8 dots: the width is rounded down, never past the label's edge."""
    made = make(builtin_template("parcel-4x6"), fields_for("parcel-4x6"), printer_for("x", 8.0))
    assert b"^PW812^LL1219" in made.content


def test_dots_per_mm_is_the_printers_own_figure() -> None:
    """11.811 and 12 dots/mm are both sold as 300 dpi and give sheets 19 dots apart."""
    sheets = []
    for dots_per_mm in (300 / 25.4, 12.0):
        made = make(
            builtin_template("parcel-4x6"), fields_for("parcel-4x6"), printer_for("x", dots_per_mm)
        )
        sheets.append(made.content.split(b"^PW")[1].split(b"^")[0])
    assert [b"1199", b"1219"] == sheets or [b"1200", b"1219"] == sheets


def test_label_too_small_for_the_template_is_refused() -> None:
    """A 4 x 6 in template on an 80 mm label says what it needs and what there is."""
    printer = printer_for("x", 8.0, label_width_mm=80, label_height_mm=50)
    with pytest.raises(LabelError, match=r"needs a label of 99\.5 mm width.* reaches 80\.0 mm"):
        make(builtin_template("parcel-4x6"), fields_for("parcel-4x6"), printer)


def test_suffocation_warning_is_never_smaller_than_the_bag_asks() -> None:
    """At 24 pt a warning that does not fit is refused; it is not shrunk.

    Source: Rhode Island General Laws 11-9-16: 24 pt from 60 in of length plus width.
    """
    fields = {**fields_for("warning"), "warning_pt": "24"}
    small = printer_for("warning", 8.0, label_width_mm=60, label_height_mm=40)
    with pytest.raises(TextRefused, match="does not fit"):
        make(builtin_template("warning"), fields, small)
    assert make(builtin_template("warning"), fields, printer_for("x", 8.0)).content


def test_symbol_without_room_names_its_line() -> None:
    """The error of a symbol that can't fit carries the template's line."""
    body = (
        "[[symbol]]\nat_mm = [1, 1]\nbox_mm = [58, 38]\nkind = 'gs1-128'\nuse = 'logistic'\n"
        "elements = [['00', '{sscc}']]\n"
    )
    with pytest.raises(SymbolTooLarge, match=r"needs 88\.00 mm, has 58\.00 mm") as refused:
        drawn(body, {"sscc": "106141412345678908"})
    assert ["template small, line 3"] == refused.value.__notes__


def test_digital_link_goes_into_an_ordinary_qr() -> None:
    """A Digital Link is read as a plain QR code, never as GS1 QR. Source: GS1 Digital Link."""
    body = (
        "[[symbol]]\nat_mm = [1, 1]\nbox_mm = [38, 38]\nkind = 'qr'\n"
        "link = 'https://id.example'\nelements = [['01', '{gtin}'], ['21', '{serial}']]\n"
    )
    fields = {"gtin": "09521234000013", "serial": "A/7"}
    template = load_template(HEAD + body, "link")
    png = picture(template, fields, PRINTER, form="png")
    (found,) = read_symbols(Image.open(io.BytesIO(png)))
    assert ("]Q1", "https://id.example/01/09521234000013/21/A%2F7") == (
        found.identifier,
        found.data,
    )


def test_postal_identifier_is_proved_before_it_is_encoded() -> None:
    """`check = "s10"` lets RR473124829GB through and refuses a wrong check digit."""
    body = (
        "[[symbol]]\nat_mm = [1, 1]\nbox_mm = [58, 15]\nkind = 'code128'\ndata = '{id}'\n"
        "check = 's10'\n"
    )
    assert drawn(body, {"id": "RR473124829GB"}).any()
    with pytest.raises(DataRefused, match="check digit should be 9"):
        drawn(body, {"id": "RR473124820GB"})


def test_order_number_outside_gs1_leaves_one_code_twice() -> None:
    """An order number that AI 400 can't carry leaves the SSCC alone in both symbols: one scan."""
    fields = {**fields_for("parcel-4x6"), "order_id": "no gs1 here", "order_gs1": ""}
    made = make(builtin_template("parcel-4x6"), fields, printer_for("parcel-4x6", 8.0))
    assert (f"00{CODE}",) == made.expected_scans
