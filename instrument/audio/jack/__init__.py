"""The native JACK driver: sound, live input and MIDI in one compiled process callback."""
