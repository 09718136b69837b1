"""
The second step at sign-in: codes of an app, passkeys, recovery codes; for whom the firm asks it.

Tables and cryptography are `allauth.mfa`'s. The sign-in is ours (`door`): every way in that proved a password hands
over to it, and a session that did not pass it is none (`SecondStepMiddleware`).
"""
