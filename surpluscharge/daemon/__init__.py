"""The shell: asyncio tasks around the core."""
