"""What signals mean: vocabulary, rulebooks as data, decoding, explanation. No pixels here."""
