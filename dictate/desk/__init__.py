"""The desk: a page on this computer where a note is read, settled and signed.

`view` and its neighbours arrange a record for the page and know nothing of HTTP; `pages` answers
requests; `security` decides which requests are answered at all; `serve` runs it. Needs the extra `desk`.
"""
