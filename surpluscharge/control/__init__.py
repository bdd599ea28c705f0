"""The pure core: no I/O, no clock, no logging. A reader who wants to know how it decides reads this folder."""
