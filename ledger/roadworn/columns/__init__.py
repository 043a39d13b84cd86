"""The read model: typed columns folded from the ledger, and SQL views over them.

`fold` turns events of SQLite into the typed tables of `tables`, `build`
keeps those as Parquet segments beside the ledger, `views_*` hold the SQL, `settling` settles
readings that contradict each other. The public door is `roadworn.columns.view`.
"""
