"""A lobe known only by its cam card."""

from phaseopt.engine.lobe import Lobe
from phaseopt.project import Card


def card_lobe(card: Card, ratio: float, lash: float) -> tuple[Lobe, Lobe]:
    """The nominal lobe of a cam card, and the largest lift any profile that fits the card may have."""
    raise NotImplementedError
