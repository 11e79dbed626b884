"""What comes of photos that are no longer as the camera took them: edited samples, and which sides err in silence."""
