"""What a comparison says: sentences, tables, picture and JSON."""
