"""What an operator asks of the running service: its health, its metrics, what it keeps for how long."""
