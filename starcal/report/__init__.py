"""What a run leaves to read: the page, its lists and crops, the tables.

One idea a file: `outcome` says in two sentences what came of it, `facts` what the frame is,
`listing` rows of words and numbers, `crops` where to look, `figures` makes plots into pictures,
`page` puts them together; `tables` are for programs.
"""
