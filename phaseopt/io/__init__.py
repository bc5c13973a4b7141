"""What reads and writes the disk, in one way each.

`text` takes text of numbers apart, for `columns` (the program's own CSV), `text_format` and `text_rows` (logs as
others write them); `start_time` finds when a log begins. `atomic` writes files and folders whole or not at all, `cache`
keeps what took long to compute and checks it when it comes back, `digest` names results by all that they were computed
from.
"""
