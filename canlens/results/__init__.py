"""Results: the classes whose fields are the keys of the written forms, one file a command."""
