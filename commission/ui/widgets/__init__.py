"""Views for kinds of results; each shows the results of any step, none knows a step."""
