"""Facts, gathered once from study, plan, results, models and formula."""
