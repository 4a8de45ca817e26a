"""Views of kinds of results; each draws what any step says, none knows a step."""
