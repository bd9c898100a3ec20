"""Pictures, drawn by us in SVG."""
