"""Results as text for people: aligned lines, tables and sentences made by rule."""
