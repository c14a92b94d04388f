//! Colour arithmetic against the numbers that standards and papers print.

use lapel::colour::spaces::{self, Curve, D50, Space};
use lapel::measure::{Lab, delta_e_2000};
use lapel::picture::matrix::{self, Matrix};

/// The 34 pairs of G. Sharma, W. Wu, E. Dalal, *The CIEDE2000 color-difference formula:
/// implementation notes, supplementary test data, and mathematical observations*, Color Research
/// and Application 30(1), 2005, table 1; four decimals as printed.
#[test]
fn ciede2000_gives_the_published_differences() {
    let table = include_str!("colour/ciede2000_sharma.csv");
    let mut pairs = 0;
    for line in table.lines() {
        let n: Vec<f64> = line
            .split(',')
            .map(|v| v.parse().expect("a number"))
            .collect();
        let (one, other) = (Lab::new(n[0], n[1], n[2]), Lab::new(n[3], n[4], n[5]));
        assert!((delta_e_2000(one, other) - n[6]).abs() < 5.1e-5, "{line}");
        assert!(
            (delta_e_2000(other, one) - n[6]).abs() < 5.1e-5,
            "{line}, turned round"
        );
        pairs += 1;
    }
    assert_eq!(pairs, 34);
}

#[track_caller]
fn assert_matrix(got: Matrix, wanted: Matrix, tolerance: f64) {
    for (got, wanted) in got.iter().flatten().zip(wanted.iter().flatten()) {
        assert!((got - wanted).abs() <= tolerance, "{got} for {wanted}");
    }
}

/// B. Lindbloom, *Chromatic Adaptation* (brucelindbloom.com): Bradford, D65 to D50, with the
/// ASTM E308 whites that the page uses.
#[test]
fn bradford_matrix() {
    let adapted = spaces::adaptation([0.95047, 1.0, 1.08883], [0.96422, 1.0, 0.82521]);
    let printed = [
        [1.047_811_2, 0.022_886_6, -0.050_127_0],
        [0.029_542_4, 0.990_484_4, -0.017_049_1],
        [-0.009_234_5, 0.015_043_6, 0.752_131_6],
    ];
    assert_matrix(adapted, printed, 6e-8);
    let same = spaces::adaptation(D50, D50);
    assert_matrix(same, matrix::diagonal([1.0; 3]), 1e-12);
}

#[test]
fn matrices_of_the_standards() {
    // IEC 61966-2-1:1999, section 5.3, printed with four decimals.
    let srgb = [
        [0.4124, 0.3576, 0.1805],
        [0.2126, 0.7152, 0.0722],
        [0.0193, 0.1192, 0.9505],
    ];
    assert_matrix(spaces::SRGB.to_xyz(), srgb, 6e-5);
    // W3C CSS Color 4, section 18, `lin_P3_to_XYZ`: 608311/1250200 and so on.
    let p3 = [
        [0.486_570_948_648, 0.265_667_693_170, 0.198_217_285_234],
        [0.228_974_564_070, 0.691_738_521_836, 0.079_286_914_094],
        [0.0, 0.045_113_381_859, 1.043_944_368_901],
    ];
    assert_matrix(spaces::DISPLAY_P3.to_xyz(), p3, 1e-9);
    // IEC 61966-2-5:2007, printed with five decimals (the same as Adobe RGB (1998), 4.3.5.3).
    let op = [
        [0.57667, 0.18556, 0.18823],
        [0.29734, 0.62736, 0.07529],
        [0.02703, 0.07069, 0.99134],
    ];
    assert_matrix(spaces::OP_RGB.to_xyz(), op, 1e-5);
    // W3C CSS Color 4, section 18, `lin_2020_to_XYZ`.
    let bt2020 = [
        [0.636_958_048_301, 0.144_616_903_586, 0.168_880_975_164],
        [0.262_700_212_011, 0.677_998_071_519, 0.059_301_716_470],
        [0.0, 0.028_072_693_049, 1.060_985_057_711],
    ];
    assert_matrix(spaces::WORKING.to_xyz(), bt2020, 1e-9);
}

/// Values of colour-science 0.4 (`eotf_inverse_sRGB`, `eotf_sRGB` and the cctf of its Adobe RGB
/// (1998)), in f64 after IEC 61966-2-1 and 61966-2-5.
#[test]
fn curves_of_the_standards() {
    const TABLE: [[f64; 5]; 5] = [
        [
            0.01,
            0.099_852_822_734_1,
            0.000_773_993_808_05,
            0.123_193_032_435,
            3.995_420_558_95e-5,
        ],
        [
            0.02,
            0.151_703_719_316,
            0.001_547_987_616_1,
            0.168_836_589_167,
            0.000_183_481_934_672,
        ],
        [
            0.18,
            0.461_356_129_5,
            0.027_211_780_951_4,
            0.458_529_465_68,
            0.023_024_029_316_6,
        ],
        [
            0.5,
            0.735_356_983_052,
            0.214_041_140_482,
            0.729_658_381_768,
            0.217_755_528_144,
        ],
        [
            0.9,
            0.954_687_171_886,
            0.787_412_289_396,
            0.953_221_330_412,
            0.793_175_459_4,
        ],
    ];
    let (srgb, op) = (spaces::SRGB.curve, spaces::OP_RGB.curve);
    let one = |f: fn(Curve, &mut [f32]), curve, value: f64| {
        let mut values = [value as f32];
        f(curve, &mut values);
        f64::from(values[0])
    };
    for [value, srgb_encoded, srgb_decoded, op_encoded, op_decoded] in TABLE {
        for (got, wanted) in [
            (one(Curve::encode_all, srgb, value), srgb_encoded),
            (one(Curve::decode_all, srgb, value), srgb_decoded),
            (one(Curve::encode_all, op, value), op_encoded),
            (one(Curve::decode_all, op, value), op_decoded),
        ] {
            assert!(
                (got / wanted - 1.0).abs() < 3e-6,
                "{value}: {got} for {wanted}"
            );
        }
    }
    // The two pieces of the sRGB curve meet within the standard's own gap.
    let below = one(Curve::encode_all, srgb, 0.003_130_7);
    let above = one(Curve::encode_all, srgb, 0.003_130_9);
    assert!(below < above && above - below < 3e-6);
    for space in [spaces::SRGB, spaces::OP_RGB] {
        let mut ends = [f32::NAN, -1.0, 0.0, 1.0, 2.0];
        space.curve.encode_all(&mut ends);
        assert_eq!(ends, [0.0, 0.0, 0.0, 1.0, 1.0]);
    }
}

/// ICC.1:2022, 9.2: colorants of a display profile add up to the connection space's white.
#[test]
fn adapted_primaries_add_up_to_d50() {
    for Space {
        primaries,
        white,
        curve,
    } in [spaces::SRGB, spaces::DISPLAY_P3, spaces::OP_RGB]
    {
        let xyz = Space {
            primaries,
            white,
            curve,
        }
        .to_xyz_d50();
        let sum = matrix::apply(xyz, [1.0; 3]);
        for (sum, white) in sum.into_iter().zip(D50) {
            assert!((sum - white).abs() < 1e-12);
        }
    }
}
