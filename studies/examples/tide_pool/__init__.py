"""A rinse-off clay mask with coloured mineral beads and a conflict in it: invented from end to end."""
