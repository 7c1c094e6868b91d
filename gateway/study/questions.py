"""The questions of a study held against the site: bags, films and stations by name, prices."""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from types import MappingProxyType

from gateway.fit import Room
from gateway.fit.bags import film_price, largest
from gateway.study.errors import StudyWrong
from schemas.base import BagId
from schemas.rules import Aim
from schemas.site import Site
from schemas.station import Station
from schemas.study import StudyFile


@dataclass(frozen=True, slots=True)
class Listed:
    """Bags under a name, tried at a station."""

    name: str
    bags: tuple[BagId, ...]
    station: Station


@dataclass(frozen=True, slots=True)
class Questions:
    """What is asked, with every name looked up."""

    room: Room
    """The site's room with the study's own films and bags in it."""
    station: Station
    aim: Aim
    asked: StudyFile
    today: Listed | None
    others: tuple[Listed, ...]


def questions_of(asked: StudyFile, site: Site) -> Questions:
    """Look every name up. Raises `StudyWrong` with all that is wrong, a line each."""
    room = _room_with(asked, Room.of(site))
    stations = {station.id: station for station in site.station}
    problems = [*_unknown(asked, room, stations.keys()), *_contradictions(asked)]
    if problems:
        raise StudyWrong("\n".join(problems))
    station = stations[asked.station]
    aim = asked.aim or room.packing.aim
    today = asked.today or tuple(dict.fromkeys(load.bag for load in station.loaded))
    others = tuple(
        Listed(one.name, tuple(dict.fromkeys(one.bags)), stations[one.station or asked.station])
        for one in asked.alternative
    )
    questions = Questions(
        room=room,
        station=station,
        aim=aim,
        asked=asked,
        today=Listed("today", today, station) if today else None,
        others=others,
    )
    if aim is Aim.LEAST_COST:
        missing = list(_without_price(questions))
        if missing:
            raise StudyWrong(
                f"least cost is asked for and no price is known for {', '.join(missing)}: state"
                " price_each, price_per_m or price_per_m2 of the bag, or price_per_kg of its film"
            )
    return questions


def _room_with(asked: StudyFile, room: Room) -> Room:
    twice = [f"bag {bag.id}" for bag in asked.bag if bag.id in room.bags]
    twice += [f"film {film.id}" for film in asked.film if film.id in room.films]
    twice += _doubles("bag", [bag.id for bag in asked.bag])
    twice += _doubles("film", [film.id for film in asked.film])
    if twice:
        raise StudyWrong(f"named twice, here or in the site file: {', '.join(twice)}")
    films = {**room.films, **{film.id: film for film in asked.film}}
    loose = [f"bag {b.id}: there is no film {b.film!r}" for b in asked.bag if b.film not in films]
    if loose:
        raise StudyWrong("\n".join(loose))
    bags = {**room.bags, **{bag.id: bag for bag in asked.bag}}
    return replace(room, films=MappingProxyType(films), bags=MappingProxyType(bags))


def _doubles(what: str, names: list[str]) -> list[str]:
    return [f"{what} {name}" for name in sorted({n for n in names if names.count(n) > 1})]


def _unknown(asked: StudyFile, room: Room, stations: Iterable[str]) -> Iterator[str]:
    known = set(stations)
    wanted = {asked.station, *(one.station for one in asked.alternative if one.station)}
    for name in sorted(wanted - known):
        yield f"there is no station {name!r} in the site file; it has {', '.join(sorted(known))}"
    places = (
        ("candidates", asked.candidates),
        ("today", asked.today),
        *((f"alternative {one.name!r}", one.bags) for one in asked.alternative),
        ("pack", tuple(pack.bag for pack in asked.pack)),
    )
    for place, names in places:
        for name in dict.fromkeys(names):
            if name not in room.bags:
                yield f"{place}: there is no bag {name!r} in the site file or the study"


def _contradictions(asked: StudyFile) -> Iterator[str]:
    for name in dict.fromkeys(asked.keep):
        if name not in asked.candidates:
            yield f"keep: {name!r} is not among the candidates"
    kept, most = len(set(asked.keep)), asked.most_sizes
    if kept > most:
        yield f"keep names {kept} sizes and most_sizes allows {most}"
    if asked.look_at is not None and not max(1, kept) <= asked.look_at <= most:
        yield f"look_at = {asked.look_at} is not between {max(1, kept)} and most_sizes = {most}"
    packs = [pack.bag for pack in asked.pack]
    for name in sorted({bag for bag in packs if packs.count(bag) > 1}):
        yield f"pack: {name!r} is named twice"


def _without_price(questions: Questions) -> Iterator[str]:
    lists = [questions.asked.candidates, *(one.bags for one in questions.others)]
    if questions.today:
        lists.append(questions.today.bags)
    for name in dict.fromkeys(bag for bags in lists for bag in bags):
        bag = questions.room.bags[name]
        if film_price(bag, questions.room.films[bag.film], *largest(bag)) is None:
            yield name
