"""What a person reads of a build: the terminal summary, the figures and the self-contained page.

`facts` picks out of a build what several of them say, `text` is the summary and the cautions, `verdicts` words limits
and checks, `colours` and `figures` draw, `page` puts everything on one page. Nothing here computes a gap or a torque of
its own.
"""
