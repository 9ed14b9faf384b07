"""Loudness and loudness range: ITU-R BS.1770-5, EBU Tech 3341 and 3342."""
