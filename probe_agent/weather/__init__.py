"""The air from elsewhere: what weather sources say, brought by a courier, and what it means here."""
