//! The CIEDE2000 colour difference.

use super::Lab;

fn hue_deg(b: f64, a_prime: f64) -> f64 {
    if a_prime == 0.0 && b == 0.0 {
        return 0.0;
    }
    let h = libm::atan2(b, a_prime).to_degrees();
    if h < 0.0 { h + 360.0 } else { h }
}

fn cos_deg(deg: f64) -> f64 {
    libm::cos(deg.to_radians())
}

/// CIEDE2000 difference of two Lab colours with all weights 1.
///
/// Source: Sharma, Wu, Dalal, "The CIEDE2000 color-difference formula: implementation notes, supplementary test data,
/// and mathematical observations", Color Research and Application 30 (2005), equations 2 to 22.
pub fn delta_e_2000(first: Lab, second: Lab) -> f64 {
    let pow7 = |c: f64| libm::pow(c, 7.0);
    let mean_chroma = (first.chroma() + second.chroma()) / 2.0;
    let g = 0.5 * (1.0 - libm::sqrt(pow7(mean_chroma) / (pow7(mean_chroma) + pow7(25.0))));
    let (a1, a2) = (first.a * (1.0 + g), second.a * (1.0 + g));
    let (c1, c2) = (libm::hypot(a1, first.b), libm::hypot(a2, second.b));
    let (h1, h2) = (hue_deg(first.b, a1), hue_deg(second.b, a2));
    let d_l = second.l - first.l;
    let d_c = c2 - c1;
    let grey = c1 * c2 == 0.0;
    let d_hue = match h2 - h1 {
        _ if grey => 0.0,
        d if d > 180.0 => d - 360.0,
        d if d < -180.0 => d + 360.0,
        d => d,
    };
    let d_h = 2.0 * libm::sqrt(c1 * c2) * libm::sin((d_hue / 2.0).to_radians());
    let mean_hue = match h1 + h2 {
        sum if grey => sum,
        sum if (h1 - h2).abs() <= 180.0 => sum / 2.0,
        sum if sum < 360.0 => (sum + 360.0) / 2.0,
        sum => (sum - 360.0) / 2.0,
    };
    let mean_l = (first.l + second.l) / 2.0;
    let mean_c = (c1 + c2) / 2.0;
    let t = 1.0 - 0.17 * cos_deg(mean_hue - 30.0)
        + 0.24 * cos_deg(2.0 * mean_hue)
        + 0.32 * cos_deg(3.0 * mean_hue + 6.0)
        - 0.20 * cos_deg(4.0 * mean_hue - 63.0);
    let l50 = (mean_l - 50.0) * (mean_l - 50.0);
    let s_l = 1.0 + 0.015 * l50 / libm::sqrt(20.0 + l50);
    let s_c = 1.0 + 0.045 * mean_c;
    let s_h = 1.0 + 0.015 * mean_c * t;
    let hue_term = (mean_hue - 275.0) / 25.0;
    let rotation = 30.0 * libm::exp(-hue_term * hue_term);
    let r_c = 2.0 * libm::sqrt(pow7(mean_c) / (pow7(mean_c) + pow7(25.0)));
    let r_t = -libm::sin((2.0 * rotation).to_radians()) * r_c;
    let (l, c, h) = (d_l / s_l, d_c / s_c, d_h / s_h);
    libm::sqrt((l * l + c * c + h * h + r_t * c * h).max(0.0))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Published pairs, numbered as in Sharma, Wu, Dalal (2005), table 1.
    const PAIRS: &[(u8, [f64; 3], [f64; 3], f64)] = &[
        (1, [50.0, 2.6772, -79.7751], [50.0, 0.0, -82.7485], 2.0425),
        (2, [50.0, 3.1571, -77.2803], [50.0, 0.0, -82.7485], 2.8615),
        (3, [50.0, 2.8361, -74.0200], [50.0, 0.0, -82.7485], 3.4412),
        (4, [50.0, -1.3802, -84.2814], [50.0, 0.0, -82.7485], 1.0000),
        (7, [50.0, 0.0, 0.0], [50.0, -1.0, 2.0], 2.3669),
        (9, [50.0, 2.49, -0.001], [50.0, -2.49, 0.0009], 7.1792),
        (11, [50.0, 2.49, -0.001], [50.0, -2.49, 0.0011], 7.2195),
        (13, [50.0, -0.001, 2.49], [50.0, 0.0009, -2.49], 4.8045),
        (15, [50.0, -0.001, 2.49], [50.0, 0.0011, -2.49], 4.7461),
        (16, [50.0, 2.5, 0.0], [50.0, 0.0, -2.5], 4.3065),
        (17, [50.0, 2.5, 0.0], [73.0, 25.0, -18.0], 27.1492),
        (18, [50.0, 2.5, 0.0], [61.0, -5.0, 29.0], 22.8977),
        (19, [50.0, 2.5, 0.0], [56.0, -27.0, -3.0], 31.9030),
        (20, [50.0, 2.5, 0.0], [58.0, 24.0, 15.0], 19.4535),
        (25, [60.2574, -34.0099, 36.2677], [60.4626, -34.1751, 39.4387], 1.2644),
        (29, [22.7233, 20.0904, -46.6940], [23.0331, 14.9730, -42.5619], 2.0373),
        (32, [90.9257, -0.5406, -0.9208], [88.6381, -0.8985, -0.7239], 1.5381),
        (33, [6.7747, -0.2908, -2.4247], [5.8714, -0.0985, -2.2286], 0.6377),
        (34, [2.0776, 0.0795, -1.1350], [0.9033, -0.0636, -0.5514], 0.9082),
    ];

    #[test]
    fn published_pairs_come_out_to_four_decimals_in_both_orders() {
        for &(number, a, b, want) in PAIRS {
            let (a, b) = (Lab::new(a[0], a[1], a[2]), Lab::new(b[0], b[1], b[2]));
            assert!((delta_e_2000(a, b) - want).abs() < 5e-5, "pair {number}: {}", delta_e_2000(a, b));
            assert!((delta_e_2000(b, a) - want).abs() < 5e-5, "pair {number} swapped");
        }
    }
}
