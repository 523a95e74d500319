"""What the timing of a group is made from: its takes, the score in nominal beats, the strikes along it, extra hits."""
