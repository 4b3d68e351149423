"""From a scene to what the client and the installer are handed: sheets, quote, try-out night."""
