"""Whether the label templates that a site names exist, read well, and fit its stations."""

from collections.abc import Iterator
from difflib import get_close_matches

from gateway.label import LabelError, Template, builtin_names, builtin_template, load_template
from gateway.label.compile import compile_template
from gateway.site_file import Finding, Reading, Severity
from schemas.order import Purpose
from schemas.site import Site
from schemas.station import Station


def template_checks(site: Site, reading: Reading) -> Iterator[Finding]:
    """Every finding about label templates. Reads the site's own template files."""
    own, faults = _own_templates(site, reading)
    yield from faults
    known = {**{name: builtin_template(name) for name in builtin_names()}, **own}
    for path, name in _named(site):
        if name not in known:
            close = get_close_matches(name, [*known], n=1)
            yield Finding(
                Severity.ERROR,
                reading.line_of(*path),
                ", ".join(str(step) for step in path if isinstance(step, str)),
                f"there is no label template {name!r}",
                f"did you mean `{close[0]}`?" if close else f"there are {', '.join(sorted(known))}",
            )
    for index, station in enumerate(site.station):
        for name in _printed_at(station, site):
            if name in known:
                yield from _does_not_go_on(reading, index, station, known[name])


def _own_templates(site: Site, reading: Reading) -> tuple[dict[str, Template], list[Finding]]:
    if site.templates_dir is None:
        return {}, []
    line = reading.line_of("templates_dir")
    if not site.templates_dir.is_dir():
        text = f"there is no folder {site.templates_dir}"
        return {}, [Finding(Severity.ERROR, line, "templates_dir", text, "make it, or take it out")]
    own: dict[str, Template] = {}
    faults: list[Finding] = []
    for path in sorted(site.templates_dir.glob("*.toml")):
        try:
            own[path.stem] = load_template(path.read_text(encoding="utf-8"), path.stem)
        except (LabelError, OSError, UnicodeDecodeError) as fault:
            faults.append(Finding(Severity.ERROR, line, "templates_dir", str(fault)))
    return own, faults


def _named(site: Site) -> Iterator[tuple[tuple[str | int, ...], str]]:
    for index, service in enumerate(site.service):
        yield ("service", index, "label_template"), service.label_template
    for index, station in enumerate(site.station):
        if station.label_template:
            yield ("station", index, "label_template"), station.label_template


def _printed_at(station: Station, site: Site) -> set[str]:
    """Templates that may be printed at a station, by its purposes and the site's services."""
    if station.label_template:
        return {station.label_template}
    names: set[str] = set()
    if Purpose.INBOUND in station.purposes:
        names.add("item-warning")
    if set(station.purposes) - {Purpose.INBOUND}:
        names |= {service.label_template for service in site.service} or {"parcel-4x6"}
    return names


def _does_not_go_on(
    reading: Reading, index: int, station: Station, template: Template
) -> Iterator[Finding]:
    try:
        compile_template(template, station.printer)
    except LabelError as fault:
        yield Finding(
            Severity.ERROR,
            reading.line_of("station", index, "printer", "label_width_mm"),
            f"station {station.id}, printer",
            f"template {template.name} does not go on its label: {fault}",
            "load other labels, or name another template in label_template",
        )
