"""What comes of photos that are no longer as the camera took them: edited samples, and how many sides err in silence."""
