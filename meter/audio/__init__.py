"""How sound gets in: ring, device stream, Linux monitor sources, file, demo, scripted source for tests."""
