"""Parts that several steps share: uncertainty budgets, their tables, the table of limits, a cache of results."""
