"""One file per stage: load, call the rooms, write."""
