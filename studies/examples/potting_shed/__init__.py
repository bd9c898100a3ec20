"""A gardener's hand wash with ground olive stone held in suspension: invented from end to end."""
