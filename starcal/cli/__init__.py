"""The command line, thin: nothing heavy is imported before a command is chosen.

One idea a file: `arguments` is what can be typed, command by command, `options` what several have,
`words` turns it into values, `spelling` guesses what was meant, `kept` lets earlier settings stand
for what was not typed, `main` goes from words to a command; `commands`, `page_commands`,
`view_command` and `catalogue_commands` do it, `completion` helps a shell; `files` are what they
read and write, `terminal` is what they say.
"""
