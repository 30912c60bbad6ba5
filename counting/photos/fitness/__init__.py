"""Whether a photo is fit to count from: blur, light, pixels, and bytes that are not damaged."""
