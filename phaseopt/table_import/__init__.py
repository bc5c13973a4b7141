"""Phase tables and clamps from anywhere: read however a file is written, with every guess stated.

`read_grid` turns text into numbers with their axes, `read_phases` settles which axis is engine speed and what the
numbers mean, `read_pair` puts both cams together. What could be read in two ways is refused, with the option or the
change that settles it.
"""

from phaseopt.table_import.grid import TextGrid, read_grid
from phaseopt.table_import.meaning import StatedMeaning
from phaseopt.table_import.pair import ImportedPair, Source, read_pair
from phaseopt.table_import.reading import Phases, read_phases

__all__ = ["ImportedPair", "Phases", "Source", "StatedMeaning", "TextGrid", "read_grid", "read_pair", "read_phases"]
