"""The ledger file: rows, their tree of digests, checkpoints, verification, proof and copies.

It holds what it is given and never looks into a payload; what may be written is decided by
`roadworn.checks` and taken in by `roadworn.intake`.
"""
