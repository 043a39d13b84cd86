"""The read model: typed columns folded from the ledger, and SQL views over them.

`transport` fetches events from SQLite, `fold` turns their payloads into typed tables, `cache`
keeps those as Parquet segments beside the ledger, `views_*` hold the SQL, `odometer` settles
readings that contradict each other. The public door is `roadworn.columns.view`.
"""
