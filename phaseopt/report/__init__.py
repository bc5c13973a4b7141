"""What a person reads: a `Document` of each subject, drawn for a terminal, a page and a notebook.

`document` says what a document is made of; `terminal`, `page` and `card` draw any of them. `subjects` has a module a
command, which makes its document from what was computed; modules beside it word and tabulate what several subjects say
(`gains`, `dips`, `faults`, `words` ...). `figures` draws. Nothing here computes a gap or a torque of its own.
"""
