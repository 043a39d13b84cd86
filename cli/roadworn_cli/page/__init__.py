"""`roadworn serve`: a page for the tablet at the vehicle and for the counter.

It is a door like the command line: what it writes goes through the same readers, checks and
writer, what it shows is what the read model and the analyses say. Nothing here is imported
before somebody serves; the libraries are the extra `page`. `docs/page.md` says what is promised.
"""
