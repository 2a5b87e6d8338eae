"""The numbered steps of the tables; a step that was released is never edited."""
