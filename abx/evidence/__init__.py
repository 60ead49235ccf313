"""From the log to tables, results, reports, the bundle, and the checks of all of them."""
