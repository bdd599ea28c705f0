"""What could have happened: replay, the best possible in hindsight, and tuning. Needs no daemon."""
