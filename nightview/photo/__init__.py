"""Night on a photo by day: camera from marks, reflectance from daylight, light from the model."""
