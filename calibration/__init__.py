"""What ties pixels to millimetres and shows how well: the rendering rig, the samples, the study, the benchmark."""
