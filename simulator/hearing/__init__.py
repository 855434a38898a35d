"""The listening session as values: what should sound, blind trials, the record of acts."""
