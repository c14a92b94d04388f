//! Repeatable random numbers.

/// 0 to 1 (SplitMix64: G. Steele, D. Lea, C. Flood, "Fast splittable pseudorandom number generators", OOPSLA
/// 2014), as many bits as an `f32` holds.
pub fn random(state: &mut u64) -> f32 {
    *state = state.wrapping_add(0x9e37_79b9_7f4a_7c15);
    let mut z = *state;
    z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
    z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
    ((z ^ (z >> 31)) >> 40) as f32 / (1_u32 << 24) as f32
}
