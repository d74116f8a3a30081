"""Pictures for video and posts, and the cue sheet that says what to tell, in which order and how sure."""

from brickbook.publish.media.cues import PARTS, Cue, Standing, cues_of
from brickbook.publish.media.frames import FRAMES, SAFE_RATIO, SQUARE, VIDEO, Frame
from brickbook.publish.media.speech import figure_aloud, number_aloud, sure_aloud, unit_aloud, value_aloud
from brickbook.publish.media.store import MediaSet, Themes, media_folder, write_media

__all__ = [
    "FRAMES",
    "PARTS",
    "SAFE_RATIO",
    "SQUARE",
    "VIDEO",
    "Cue",
    "Frame",
    "MediaSet",
    "Standing",
    "Themes",
    "cues_of",
    "figure_aloud",
    "media_folder",
    "number_aloud",
    "sure_aloud",
    "unit_aloud",
    "value_aloud",
    "write_media",
]
