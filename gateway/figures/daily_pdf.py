"""The report of a day as a paper: the same figures as the page."""

from reportlab.graphics.shapes import Circle, Drawing, Line, PolyLine
from reportlab.lib.units import mm

from gateway import paper
from gateway.figures import words
from gateway.figures.chart_picture import ChartPicture, Spot, chart_picture
from gateway.figures.control_chart import PChart
from gateway.figures.daily import DayReport


def to_pdf(report: DayReport) -> bytes:
    """Return the report as PDF, A4. The same report gives the same bytes."""
    name = f"Figures of {report.day.isoformat()}"
    return paper.paper(lambda: _story(report), name=name, foot=f"{report.site} · {name}")


def _story(report: DayReport) -> list[paper.Flowable]:
    zone = report.zone
    return [
        paper.title(f"Figures of {report.day.isoformat()}"),
        paper.line(
            f"{report.site}, {words.local(report.start, zone)} to {words.local(report.end, zone)}"
            f" ({zone.key})",
            quiet=True,
        ),
        paper.pairs(_volumes(report), name_mm=58),
        *_labels(report),
        *_bags(report),
        *_stations(report),
        *(part for name, chart in report.charts for part in _chart(name, chart)),
        *_cases(report),
    ]


def _volumes(report: DayReport) -> list[tuple[str, str]]:
    film = report.film
    if film.saved_g is None:
        saving = "not told: no former bag to compare with"
    else:
        what = "saved" if film.saved_g >= 0 else "more than before"
        saving = (
            f"{words.mass(abs(film.saved_g))} {what} ({words.percent(film.saved_share)}) over"
            f" {words.number(film.compared)} bags, against {film.former}"
        )
        if film.beyond_former:
            saving += f"; {words.number(film.beyond_former)} bags held more than it would have"
    return [
        ("Orders", f"{words.number(report.orders)}, {words.number(report.pieces)} pieces"),
        ("To manual packing", words.share(report.manual)),
        ("Bags", words.number(report.bags)),
        ("Void bags", words.share(report.void)),
        ("Film", f"{words.mass(film.used_g)}, {words.mass(film.of_it_void_g)} in void bags"),
        ("Film against the former bag", saving),
        ("Empty room in the bags", words.percent(report.mean_void_share)),
    ]


def _labels(report: DayReport) -> list[paper.Flowable]:
    parts = [
        paper.heading("Labels"),
        paper.pairs(
            [
                ("Mislabels", words.per_million(report.mislabels)),
                ("Right at the first scan", words.share(report.first_pass)),
                ("In doubt after sending", words.per_million(report.in_doubt)),
                ("Time to settle a case", words.settling(report.settling)),
            ],
            name_mm=58,
        ),
    ]
    if report.kinds:
        rows = [
            (
                words.kind(one.kind),
                str(one.count),
                words.percent(one.share),
                words.percent(one.cumulative),
            )
            for one in report.kinds
        ]
        head = ("What the scans found", "Labels", "Share", "Together")
        parts += [paper.gap(2), paper.table(head, rows, (84, 30, 30, 30), right=(1, 2, 3))]
    return parts


def _bags(report: DayReport) -> list[paper.Flowable]:
    rows = [
        (
            one.bag,
            f"{one.width_mm:g} x {one.length_mm:g}",
            words.number(one.count),
            words.percent(one.share),
            words.mass(one.film_g),
        )
        for one in report.sizes
    ]
    head = ("Bag", "Width x length, mm", "Bags", "Share", "Film")
    if not rows:
        return [paper.heading("Bags by size"), paper.line("No bag was printed.")]
    return [
        paper.heading("Bags by size"),
        paper.table(head, rows, (64, 38, 22, 22, 28), right=(1, 2, 3, 4)),
    ]


def _stations(report: DayReport) -> list[paper.Flowable]:
    rows = [
        (
            one.station,
            words.number(one.bags),
            str(one.void),
            str(one.changeovers),
            str(one.refills),
            str(one.stops),
            words.duration(one.down_s) if one.down_s else "none",
            words.kind(one.longest_cause),
            f"{one.labels.events} in {words.number(one.labels.trials)}",
        )
        for one in report.stations
    ]
    head = (
        "Station",
        "Bags",
        "Void",
        "Changes",
        "Refills",
        "Stops",
        "Down",
        "Longest for",
        "Mislabels",
    )
    if not rows:
        return [paper.heading("Stations"), paper.line("No station worked.")]
    return [
        paper.heading("Stations"),
        paper.table(head, rows, (30, 14, 13, 18, 16, 14, 21, 26, 22), right=(1, 2, 3, 4, 5, 6)),
        paper.line(
            "Down: held, in doubt, faulted, waiting for a person, or its machine aborted, held or "
            "offline. Stopped and suspended are not counted.",
            quiet=True,
        ),
    ]


def _chart(name: str, chart: PChart) -> list[paper.Flowable]:
    drawn = chart_picture(chart, paper.WIDTH_MM * mm - 8, 34 * mm)
    first, last = chart.points[0].label, chart.points[-1].label
    out = [
        paper.line(
            f"{point.label}: {point.bad} in {point.checked},"
            f" {', '.join(words.SIGNAL_WORDS[signal] for signal in point.signals)}.",
            colour=paper.BAD,
        )
        for point in chart.out_of_control
    ]
    return [
        paper.together(
            paper.heading(f"Mislabels by shift at {name}"),
            _drawing(drawn),
            paper.gap(2),
            paper.line(
                f"Upper edge {words.number(drawn.top)} per million, mean"
                f" {words.number(1e6 * chart.centre)} per million. {first} to {last}. Dashed:"
                " limits for as many labels as the shift checked.",
                quiet=True,
            ),
            *out,
        )
    ]


def _drawing(drawn: ChartPicture) -> Drawing:
    def up(y: float) -> float:
        return drawn.height - y

    def flat(spots: tuple[Spot, ...]) -> list[float]:
        return [value for x, y in spots for value in (x, up(y))]

    room = Drawing(drawn.width, drawn.height + 4)
    room.add(Line(0, 0, drawn.width, 0, strokeColor=paper.RULE))
    centre = up(drawn.centre_y)
    room.add(Line(0, centre, drawn.width, centre, strokeColor=paper.QUIET, strokeWidth=0.6))
    for limit in (drawn.upper, drawn.lower):
        room.add(
            PolyLine(flat(limit), strokeColor=paper.QUIET, strokeWidth=0.6, strokeDashArray=[3, 2])
        )
    run = tuple((dot.x, dot.y) for dot in drawn.dots)
    room.add(PolyLine(flat(run), strokeColor=paper.INK, strokeWidth=0.8))
    for dot in drawn.dots:
        colour = paper.BAD if dot.out else paper.INK
        radius = 2.8 if dot.out else 1.8
        room.add(Circle(dot.x, up(dot.y), radius, fillColor=colour, strokeColor=colour))
    return room


def _cases(report: DayReport) -> list[paper.Flowable]:
    parts = [paper.heading("Open cases")]
    if not report.open_cases:
        return [*parts, paper.line("None.")]
    rows = [
        (
            one.case_id,
            words.kind(one.kind),
            one.station,
            words.local(one.opened, report.zone),
            words.duration((report.end - one.opened).total_seconds()),
        )
        for one in report.open_cases
    ]
    head = ("Case", "Kind", "Station", "Opened", "Open for")
    return [*parts, paper.table(head, rows, (34, 50, 30, 36, 24), right=(4,))]
