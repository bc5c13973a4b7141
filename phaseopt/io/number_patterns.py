"""What a number looks like in a text file, and what may part one from the next: one place for every reader.

`POINT` is a number as RFC 4180 files of this program have it; `EITHER` also allows a decimal comma.
"""

import re

POINT = re.compile(r"[+-]?([0-9]+\.?[0-9]*|\.[0-9]+)([eE][+-]?[0-9]+)?")
EITHER = re.compile(r"[+-]?([0-9]+[.,]?[0-9]*|[.,][0-9]+)([eE][+-]?[0-9]+)?")
DELIMITERS = {"\t": "tabs", ";": "semicolons", ",": "commas"}
DECIMALS = {".": "points", ",": "commas"}
