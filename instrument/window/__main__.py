"""Start of the window process: python -m instrument.window MEMORY_NAME RATE."""

import os
import sys

# The library greets on standard output, which here belongs to the conversation with the stage.
os.environ.setdefault("PYGAME_HIDE_SUPPORT_PROMPT", "1")
# Small changes go straight to the window; through a software-rendered texture each would cost a whole screen.
os.environ.setdefault("SDL_FRAMEBUFFER_ACCELERATION", "0")
# What a window manager groups and finds the window by. Another process may have left its own name here.
os.environ["SDL_VIDEO_X11_WMCLASS"] = "Beamhand"

from instrument.window.start import main

sys.exit(main(sys.argv[1:]))
