"""
Everything this room writes, one function an action.

`visits` opens and closes a visit, `openings` knows what there is to cover, `readings` what was
found there, `sizes` what it comes to, `releases` hands it over, `range` keeps the firm's own data.
"""
