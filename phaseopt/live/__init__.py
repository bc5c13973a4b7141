"""The local page for bench and dyno: a server on this computer, a child process that computes, files beneath.

- `server` answers a browser; `guard` refuses whoever has no business here, and `devices` lets telephones in.
- `board` holds what every open page shows, part by part; a page that connects gets all of it.
- `desk` runs the child process: it is handed looks at the files and questions, and hands back parts and answers.
- `worker` is that child: it reads the project anew after each change and makes the parts of `bench`, `day` and
  `tables`.
- `edits` writes changes into the project file, with a `history` of its texts; `watch` sees which logs are complete.

Nothing is kept in memory that a file does not hold: a killed server comes back where it was.
"""
