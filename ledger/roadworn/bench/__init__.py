"""Short forms a person types at a bench, turned into payloads.

Pure functions from text to plain dictionaries: the command line, an import or a program of
a shop's own may use them. What cannot be read raises `UsageError` with what to type instead;
nothing is guessed.

Import the module that is needed: ``amounts`` (money, odometer figures, warranties),
``choices``, ``phrases`` (components, findings, estimate lines), ``scans``, ``fields``
(corrections), ``walk`` (a look-over item by item) and ``words`` (an event told in one line).
None of them imports another's libraries, since writing one event must be quick.
"""
