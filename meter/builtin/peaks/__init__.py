"""Sample peak and true peak (ITU-R BS.1770-5 Annex 2), now, held and max."""
