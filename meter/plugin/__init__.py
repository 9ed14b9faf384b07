"""The door for meters: contract (api), manifest, host and the kit that checks a plugin."""
