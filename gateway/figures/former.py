"""The bag that film savings are told against, from the site file."""

from gateway.figures.day_facts import FormerBag
from gateway.fit.bags import film_area, film_mass_g
from schemas.site import Site
from schemas.supply import PreOpenedBag


def former_bag(site: Site) -> FormerBag | None:
    """Return the bag that film savings are told against; None where the site names none.

    Only a pre-opened bag has one size to compare with.
    """
    bag = next((one for one in site.bag if one.id == site.former_bag), None)
    if not isinstance(bag, PreOpenedBag):
        return None
    film = next(one for one in site.film if one.id == bag.film)
    mass = film_mass_g(film, film_area(bag, bag.width_mm, bag.length_mm))
    return FormerBag(bag.id, bag.width_mm, bag.length_mm, mass)
