"""Phase tables and clamps from anywhere: read however a file is written, with every guess stated.

`read_grid` turns text into numbers with their axes and the words around them, `read_phases` settles which axis is
engine speed and every meaning of the numbers that the words, the options and the travel allow, `read_pair` puts both
cams together. Contradictions are refused, with the option or the change that settles them; what nobody states stays
open.
"""

from phaseopt.table_import.grid import TextGrid, read_grid
from phaseopt.table_import.meaning import StatedMeaning
from phaseopt.table_import.pair import ImportedPair, PairReading, Source, read_pair
from phaseopt.table_import.reading import Phases, read_phases

__all__ = [
    "ImportedPair",
    "PairReading",
    "Phases",
    "Source",
    "StatedMeaning",
    "TextGrid",
    "read_grid",
    "read_pair",
    "read_phases",
]
