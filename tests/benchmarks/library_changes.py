"""What a general library of picture changes does to a photograph: changes that nobody here wrote, or had in mind.

The library is albumentations (`pip install albumentations`, not among the project's own requirements), asked for more of
each change than is usual. What is written on the sheet stays as it was; a mirrored or negative picture must be refused.
"""

from __future__ import annotations

import functools

import numpy as np
from other_cameras import Change, Picture

_ASKED = {
    "Affine": {"scale": (0.5, 0.9), "shear": (-15, 15), "rotate": (-40, 40)},
    "CLAHE": {"clip_limit": (4, 8)},
    "ChromaticAberration": {"primary_distortion_limit": 0.05, "secondary_distortion_limit": 0.1},
    "CoarseDropout": {"num_holes_range": (3, 8), "hole_height_range": (0.01, 0.05), "hole_width_range": (0.01, 0.05)},
    "ColorJitter": {"brightness": (0.5, 1.5), "contrast": (0.5, 1.5), "saturation": (0.3, 2), "hue": (-0.3, 0.3)},
    "Defocus": {"radius": (2, 6)},
    "Downscale": {"scale_range": (0.3, 0.5)},
    "ElasticTransform": {"alpha": 300, "sigma": 30},
    "Emboss": {"alpha": (0.3, 0.6)},
    "Equalize": {},
    "GlassBlur": {"sigma": 1.0, "max_delta": 3, "iterations": 1},
    "GridDistortion": {"num_steps": 5, "distort_limit": 0.25},
    "HorizontalFlip": {},
    "ISONoise": {"color_shift": (0.05, 0.2), "intensity": (0.3, 1.0)},
    "Illumination": {"intensity_range": (0.1, 0.2)},
    "ImageCompression": {"quality_range": (8, 25)},
    "InvertImg": {},
    "MotionBlur": {"blur_limit": (5, 19)},
    "OpticalDistortion": {"distort_limit": 0.4},
    "Perspective": {"scale": (0.05, 0.12)},
    "PixelDropout": {"dropout_prob": 0.03},
    "PlasmaBrightnessContrast": {"plasma_size": 512, "brightness_range": (-0.4, 0.4), "contrast_range": (-0.4, 0.4)},
    "PlasmaShadow": {"plasma_size": 512, "shadow_intensity_range": (0.3, 0.8)},
    "Posterize": {"num_bits": 3},
    "RandomFog": {},
    "RandomGamma": {"gamma_limit": (40, 220)},
    "RandomGravel": {},
    "RandomRain": {},
    "RandomShadow": {"num_shadows_limit": (1, 4)},
    "RandomSunFlare": {"src_radius": 500},
    "RandomToneCurve": {"scale": 0.5},
    "RingingOvershoot": {},
    "Rotate": {"limit": (-180, 180)},
    "SaltAndPepper": {"amount": (0.01, 0.06)},
    "Sharpen": {"alpha": (0.4, 0.9)},
    "ShotNoise": {"scale_range": (0.1, 0.5)},
    "Solarize": {},
    "Spatter": {"mode": "rain"},
    "ThinPlateSpline": {"scale_range": (0.05, 0.15)},
    "ToSepia": {},
    "ZoomBlur": {"max_factor": (1.01, 1.04)},
}


def _changed(name: str, image: Picture, rng: np.random.Generator) -> Picture:
    try:
        import albumentations
    except ImportError:
        raise SystemExit("these changes come from a library: pip install albumentations") from None
    change = getattr(albumentations, name)(p=1, **_ASKED[name])
    return albumentations.Compose([change], seed=int(rng.integers(2**31)))(image=image)["image"]


CHANGES: dict[str, Change] = {f"library {name}": functools.partial(_changed, name) for name in _ASKED}
