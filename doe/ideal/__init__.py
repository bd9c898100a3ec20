"""The best approximate plan, found and proven: the yardstick of every plan."""
