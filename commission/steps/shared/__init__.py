"""Parts used by several steps: uncertainty budgets, their tables, the table of limits, a cache of results."""
