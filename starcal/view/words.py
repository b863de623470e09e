"""What errors and reasons advise, in words of the page."""

# What errors advise for the command line, and the same for whoever has the page before them.
PAGE_WORDS = {
    "add --overwrite, or choose a folder with "
    "--out": "tick “replace earlier files”, or name another folder",
    ", with -o or --out": "",
    "Leave --bands out": "Leave the field empty",
    "with --bands FILE": "in the field “Response curves”",
    "Let `starcal run` colour its stars instead": "Choose another route",
    ", or let `starcal run` colour its stars as they are displayed": "",
    "use --route best": "choose “best for this frame”",
    "--route ": "route ",
    " +- ": " ± ",
}


def page_words(said: Exception | str) -> str:
    """What an error or a reason says, as advice for the page and not for the command line."""
    said = str(said)
    for typed, words in PAGE_WORDS.items():
        said = said.replace(typed, words)
    return said
