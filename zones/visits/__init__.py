"""What a person needs to know before going there: the sheet of a closet, and what a site leaves open."""
