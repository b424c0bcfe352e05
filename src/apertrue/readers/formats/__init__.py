"""One module a format; each has ``open_pages(source, options) -> Pages`` and cites its specification."""
