"""
What an earlier release kept, said and took must still be kept, said and taken.

Each folder here is named by its day and holds one release: a small firm's database for SQLite and the same
rows for PostgreSQL, questions (reads of the API as five people, bookings that ask for a window, two phones'
queues with every kind of entry), and the answers that release gave at 9:40 of the firm's day.

``2026-11-29`` was made by ``make.py`` with the code of commit f3530eb.

The tests migrate each database and ask again. Whoever changes an answer, a table or a column on purpose says
so in ``changes.py``; nothing else may differ, and what is declared must differ.
"""
