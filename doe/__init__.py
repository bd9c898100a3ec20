"""What to try: the study definition, the region, terms, designs, the bench records."""
