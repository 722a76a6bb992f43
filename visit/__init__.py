"""A site visit: conducts hook-ups and runs, keeps the record, evaluates, exports."""
