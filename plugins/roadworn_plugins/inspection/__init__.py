"""Rules of an inspection, held against what is on record: `inspection-outlook`."""
