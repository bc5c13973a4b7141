"""Parts study: which of the parts on a shelf to bolt together.

`combinations` lists what may be fitted together and makes a project of each; `drops` says whether the valve drop of one
is known; `family` makes lobes that are not ground yet; `written` writes a chosen combination as a project of its own.
"""
