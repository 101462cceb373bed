"""The shelf: a searchable library of labelled clips in one folder. Start at `store`."""
