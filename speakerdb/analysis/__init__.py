"""Questions to the field of speakers: frames in, frames out, no files and no database."""
