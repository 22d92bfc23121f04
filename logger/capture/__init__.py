"""Record with the phone's own browser: the page, and the server that brings recordings home.

In: requests of a phone in the same network, none of them trusted.
Out: recordings as files, whole or resumable, and a word on what has arrived (`arrivals`).
`server` runs `application` over https with a certificate of its own (`certificate`); `uploads` and
`parts` keep recordings; `page` holds the page's files.
May import: everything in `logger`.
"""
