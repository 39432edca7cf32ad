//! Sky, sun and clouds.

use super::v3::{V3, smooth, v3};
use crate::noise::fbm2;

/// A sky as a function of direction; colours are linear light, 1 = a sunlit white card.
#[derive(Debug, Clone)]
pub(crate) struct Sky {
    pub(crate) zenith: V3,
    pub(crate) horizon: V3,
    /// Light from below the horizon (haze over land or sea).
    pub(crate) below: V3,
    /// Towards the sun, length 1.
    pub(crate) sun_dir: V3,
    /// Light of a white card facing the sun.
    pub(crate) sun: V3,
    /// Half angle of the sun as a light source, radians (a little veiled by haze).
    pub(crate) sun_half_rad: f32,
    /// Glow around the sun.
    pub(crate) glow: V3,
    /// How tight the glow is.
    pub(crate) glow_power: f32,
    /// 0 clear to 1 overcast.
    pub(crate) cloud: f32,
    /// Sunlit and shaded cloud.
    pub(crate) cloud_bright: V3,
    pub(crate) cloud_dark: V3,
    /// Frequency of clouds: larger = smaller clouds.
    pub(crate) cloud_scale: f32,
    pub(crate) seed: u32,
}

impl Sky {
    /// Smooth sky without clouds or disc, for diffuse light.
    pub(crate) fn soft(&self, dir: V3) -> V3 {
        let up = dir.y.max(0.0);
        let base = if dir.y < 0.0 { self.below } else { self.horizon.mix(self.zenith, up.powf(0.45)) };
        let toward = dir.dot(self.sun_dir).max(0.0);
        let glow = self.glow * toward.powf(self.glow_power);
        let cloudy = self.cloud_dark.mix(self.cloud_bright, 0.5) * (0.5 * self.cloud);
        base * (1.0 - 0.5 * self.cloud) + cloudy + glow * (1.0 - 0.5 * self.cloud)
    }

    /// Light that a camera sees in a direction.
    pub(crate) fn seen(&self, dir: V3) -> V3 {
        let up = dir.y.max(0.0);
        let base = self.horizon.mix(self.zenith, up.powf(0.45));
        let toward = dir.dot(self.sun_dir).max(0.0);
        let mut light = base
            + self.glow * toward.powf(self.glow_power)
            + self.glow * (0.8 * toward.powf(self.glow_power * 9.0));
        if dir.y > 0.0 && self.cloud > 0.0 {
            let far = 1.0 / (up + 0.09);
            let (x, z) = (dir.x * far * self.cloud_scale, dir.z * far * self.cloud_scale);
            let density = self.cloud_density(x, z);
            if density > 0.0 {
                // Light from the sun's side: thinner cloud in that direction lets more of it in.
                let step = 0.35;
                let ahead = self.cloud_density(x + self.sun_dir.x * step, z + self.sun_dir.z * step);
                let lit = (0.62 + 0.9 * (density - ahead)).clamp(0.0, 1.0) * (1.0 - 0.55 * density);
                let silver = self.glow * (toward.powf(6.0) * 0.6 * (1.0 - density));
                let cloud = self.cloud_dark.mix(self.cloud_bright, lit) + silver;
                let fade = smooth(0.0, 0.10, up);
                light = light.mix(cloud, (density * 1.25).min(1.0) * fade * 0.95);
            }
        }
        light
    }

    fn cloud_density(&self, x: f32, z: f32) -> f32 {
        let big = fbm2(x, z * 1.3, 6, self.seed);
        let threshold = 0.42 - 0.85 * self.cloud;
        smooth(threshold, threshold + 0.42, big)
    }

    /// Light of the sun reflected by a mirror-like surface of some roughness: the same energy over a wider spot.
    pub(crate) fn glint(&self, dir: V3, spread_rad: f32) -> V3 {
        let width = self.sun_half_rad.max(0.01) + spread_rad;
        let angle2 = 2.0 * (1.0 - dir.dot(self.sun_dir)).max(0.0);
        // A card lit by the sun has radiance sun; the sun itself has pi sun / solid angle of the spot.
        let peak = 1.0 / (width * width);
        self.sun * (peak * (-angle2 / (width * width)).exp()).min(60.0)
    }
}

impl Default for Sky {
    fn default() -> Self {
        Self {
            zenith: v3(0.12, 0.22, 0.48),
            horizon: v3(0.50, 0.60, 0.70),
            below: v3(0.16, 0.15, 0.13),
            sun_dir: v3(0.5, 0.6, 0.4).unit(),
            sun: v3(0.95, 0.88, 0.76),
            sun_half_rad: 0.012,
            glow: v3(0.25, 0.22, 0.16),
            glow_power: 12.0,
            cloud: 0.3,
            cloud_bright: v3(0.95, 0.94, 0.92),
            cloud_dark: v3(0.42, 0.46, 0.52),
            cloud_scale: 0.8,
            seed: 11,
        }
    }
}
