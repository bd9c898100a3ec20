"""The best approximate plan, found and proven: what the efficiency of every plan is relative to."""
