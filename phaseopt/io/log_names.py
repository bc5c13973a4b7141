"""Which files of a folder are logs, by their names."""

LOG_ENDINGS = (".csv", ".txt", ".tsv", ".tab", ".dat", ".asc", ".log", ".prn", ".mf4", ".mdf")
NO_LOG_ENDINGS = (  # nobody takes these for logs
    ".py", ".md", ".toml", ".json", ".html", ".pdf", ".png", ".jpg", ".jpeg", ".heic", ".db", ".ini",
)  # fmt: skip
