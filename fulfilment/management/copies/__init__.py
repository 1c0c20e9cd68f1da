"""Copies of the farm: its database, the key its links are signed with, its media; one file, and the way back.

``archive`` is the file, ``sqlite`` and ``postgres`` what each engine needs, ``keeping`` makes a copy and puts it back.
"""
