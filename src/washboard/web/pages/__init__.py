"""The pages, one file per step of the job; each has `build(page, query)`."""
