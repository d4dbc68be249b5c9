"""What is read for every question: the field of speakers, sessions with their errors, names, the error model that
counts."""
