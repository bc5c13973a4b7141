"""What each command says: facts in, a Document out, one module a subject."""
