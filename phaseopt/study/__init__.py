"""Questions one level up: which pulls to make next, and whether a pull on the new tables bore the prediction out.

Nothing here writes a file; it imports from everything the build does and is imported by output, report and cli alone.
"""
