"""Plants with their own physics that publish readings: shares only the wire form with the monitor."""
