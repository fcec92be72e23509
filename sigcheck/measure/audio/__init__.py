"""What else is in the recording: its health, noise, hum, other stations, voices, several transmissions."""
