"""Everything that touches the outside: sources, the pipeline, the store, alarms and outlets."""
