"""The low end of several parts: who owns it, what may go, what it would cost."""
