"""What stands in a closet: supplies, amplifiers, networked devices and switches."""
