"""The bench file as a form: its keys as texts, judged field by field, written back with its comments kept."""
