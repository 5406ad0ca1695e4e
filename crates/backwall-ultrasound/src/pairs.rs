//! Whole numbers of sixteen bits, multiplied and added in pairs, many at a time: exact, hence the same on every processor, whatever
//! it has for the work. Registers of 512 and of 256 bits do it in one instruction; elsewhere it is written out.

/// A pair of sixteen-bit numbers in one of thirty-two.
pub const fn pair(first: i16, second: i16) -> i32 {
    (first as u16 as u32 | (second as u16 as u32) << 16) as i32
}

/// As many sums are totalled at once.
pub const SIDE: usize = 8;

/// Sums of products of pairs, `LANES` side by side.
pub trait Pairs: Copy {
    type Sums: Copy;
    const LANES: usize;
    fn zero(self) -> Self::Sums;
    /// The same pair in all lanes.
    fn all(self, pair: i32) -> Self::Sums;
    /// The first `LANES` pairs; there must be as many.
    fn load(self, pairs: &[i32]) -> Self::Sums;
    /// The first `2 LANES` codes as pairs; there must be as many.
    fn load_codes(self, codes: &[i16]) -> Self::Sums;
    /// Adds to each sum the products of two pairs.
    fn add(self, sum: Self::Sums, a: Self::Sums, b: Self::Sums) -> Self::Sums;
    fn store(self, sums: Self::Sums, out: &mut [i32]);
    /// All lanes of each of some sums together.
    fn totals(self, sums: [Self::Sums; SIDE]) -> [i32; SIDE];
    /// How many values are not over a bound.
    #[inline(always)]
    fn up_to(self, values: &[u32], bound: u32) -> u32 {
        values.iter().map(|value| u32::from(*value <= bound)).sum()
    }
}

/// Without any help.
#[derive(Clone, Copy)]
pub struct Plain;

const PLAIN: usize = 8;

impl Pairs for Plain {
    type Sums = [i32; PLAIN];
    const LANES: usize = PLAIN;

    #[inline(always)]
    fn zero(self) -> Self::Sums {
        [0; PLAIN]
    }
    #[inline(always)]
    fn all(self, pair: i32) -> Self::Sums {
        [pair; PLAIN]
    }
    #[inline(always)]
    fn load(self, pairs: &[i32]) -> Self::Sums {
        pairs.first_chunk().copied().unwrap_or_default()
    }
    #[inline(always)]
    fn load_codes(self, codes: &[i16]) -> Self::Sums {
        let (pairs, _) = codes.as_chunks::<2>();
        pairs.first_chunk::<PLAIN>().map_or([0; PLAIN], |pairs| pairs.map(|[first, second]| pair(first, second)))
    }
    #[inline(always)]
    fn add(self, mut sum: Self::Sums, a: Self::Sums, b: Self::Sums) -> Self::Sums {
        let low = |pair: i32| i32::from(pair as i16);
        let high = |pair: i32| pair >> 16;
        for lane in 0..PLAIN {
            let products = (low(a[lane]) * low(b[lane])).wrapping_add(high(a[lane]) * high(b[lane]));
            sum[lane] = sum[lane].wrapping_add(products);
        }
        sum
    }
    #[inline(always)]
    fn store(self, sums: Self::Sums, out: &mut [i32]) {
        if let Some(out) = out.first_chunk_mut() {
            *out = sums;
        }
    }
    #[inline(always)]
    fn totals(self, sums: [Self::Sums; SIDE]) -> [i32; SIDE] {
        sums.map(|lanes| lanes.iter().fold(0i32, |total, sum| total.wrapping_add(*sum)))
    }
}

/// What is written once for all widths.
pub trait PairWork {
    type Output;
    /// To be inlined into the code for each width.
    fn with<P: Pairs>(self, simd: P) -> Self::Output;
}

/// Does some work in the widest way the processor has.
pub fn dispatch<W: PairWork>(work: W) -> W::Output {
    #[cfg(target_arch = "x86_64")]
    if let Some(simd) = MultiplyAndAdd::try_new() {
        return simd.vectorize(
            #[inline(always)]
            || work.with(simd),
        );
    }
    pulp::Arch::new().dispatch(Narrower(work))
}

struct Narrower<W>(W);

impl<W: PairWork> pulp::WithSimd for Narrower<W> {
    type Output = W::Output;

    #[inline(always)]
    fn with_simd<S: pulp::Simd>(self, simd: S) -> W::Output {
        let any: &dyn std::any::Any = &simd;
        #[cfg(target_arch = "x86_64")]
        {
            if let Some(v4) = any.downcast_ref::<pulp::x86::V4>() {
                return self.0.with(*v4);
            }
            if let Some(v3) = any.downcast_ref::<pulp::x86::V3>() {
                return self.0.with(*v3);
            }
        }
        let _ = any;
        self.0.with(Plain)
    }
}

#[cfg(target_arch = "x86_64")]
pub use x86::MultiplyAndAdd;

#[cfg(target_arch = "x86_64")]
mod x86 {
    use super::{Pairs, SIDE};
    use pulp::bytemuck::cast;
    use pulp::x86::{V3, V4};
    use std::arch::x86_64::{__m256i, __m512i};

    pulp::simd_type!({
        /// [`V4`], and an instruction that multiplies pairs and adds them to a sum at once: the compiler takes it by itself.
        pub struct MultiplyAndAdd {
            pub sse4_1: f!("sse4.1"),
            pub sse4_2: f!("sse4.2"),
            pub popcnt: f!("popcnt"),
            pub avx: f!("avx"),
            pub avx2: f!("avx2"),
            pub bmi1: f!("bmi1"),
            pub bmi2: f!("bmi2"),
            pub fma: f!("fma"),
            pub lzcnt: f!("lzcnt"),
            pub avx512f: f!("avx512f"),
            pub avx512bw: f!("avx512bw"),
            pub avx512cd: f!("avx512cd"),
            pub avx512dq: f!("avx512dq"),
            pub avx512vl: f!("avx512vl"),
            pub avx512vnni: f!("avx512vnni"),
        }
    });

    /// The lanes of eight registers of 256 bits together, by neighbours, then by halves. Written out: what is not inlined would not be
    /// compiled for the wide registers.
    macro_rules! totals {
        ($token:expr, $sums:expr) => {{
            let sums = $sums;
            let near = $token.avx2._mm256_hadd_epi32(sums[0], sums[1]);
            let next = $token.avx2._mm256_hadd_epi32(sums[2], sums[3]);
            let first = $token.avx2._mm256_hadd_epi32(near, next);
            let near = $token.avx2._mm256_hadd_epi32(sums[4], sums[5]);
            let next = $token.avx2._mm256_hadd_epi32(sums[6], sums[7]);
            let second = $token.avx2._mm256_hadd_epi32(near, next);
            let low = $token.avx2._mm256_permute2x128_si256::<0x20>(first, second);
            let high = $token.avx2._mm256_permute2x128_si256::<0x31>(first, second);
            cast($token.avx2._mm256_add_epi32(low, high))
        }};
    }

    macro_rules! wide {
        ($token:ident) => {
            impl Pairs for $token {
                type Sums = __m512i;
                const LANES: usize = 16;

                #[inline(always)]
                fn zero(self) -> __m512i {
                    self.avx512f._mm512_setzero_si512()
                }
                #[inline(always)]
                fn all(self, pair: i32) -> __m512i {
                    self.avx512f._mm512_set1_epi32(pair)
                }
                #[inline(always)]
                fn load(self, pairs: &[i32]) -> __m512i {
                    pairs.first_chunk::<16>().map_or_else(|| self.zero(), |chunk| cast(*chunk))
                }
                #[inline(always)]
                fn load_codes(self, codes: &[i16]) -> __m512i {
                    codes.first_chunk::<32>().map_or_else(|| self.zero(), |chunk| cast(*chunk))
                }
                #[inline(always)]
                fn add(self, sum: __m512i, a: __m512i, b: __m512i) -> __m512i {
                    self.avx512f._mm512_add_epi32(sum, self.avx512bw._mm512_madd_epi16(a, b))
                }
                #[inline(always)]
                fn store(self, sums: __m512i, out: &mut [i32]) {
                    if let Some(out) = out.first_chunk_mut::<16>() {
                        *out = cast(sums);
                    }
                }
                #[inline(always)]
                fn totals(self, sums: [__m512i; SIDE]) -> [i32; SIDE] {
                    let mut halves = [self.avx._mm256_setzero_si256(); SIDE];
                    for (half, lanes) in halves.iter_mut().zip(sums) {
                        let [low, high]: [__m256i; 2] = cast(lanes);
                        *half = self.avx2._mm256_add_epi32(low, high);
                    }
                    totals!(self, halves)
                }
                #[inline(always)]
                fn up_to(self, values: &[u32], bound: u32) -> u32 {
                    let bound = self.avx512f._mm512_set1_epi32(bound as i32);
                    let (whole, rest) = values.as_chunks::<16>();
                    let mut count = 0;
                    for chunk in whole {
                        count += self.avx512f._mm512_cmple_epu32_mask(cast(*chunk), bound).count_ones();
                    }
                    let bound: [u32; 16] = cast(bound);
                    count + rest.iter().map(|value| u32::from(*value <= bound[0])).sum::<u32>()
                }
            }
        };
    }
    wide!(V4);
    wide!(MultiplyAndAdd);

    impl Pairs for V3 {
        type Sums = __m256i;
        const LANES: usize = 8;

        #[inline(always)]
        fn zero(self) -> __m256i {
            self.avx._mm256_setzero_si256()
        }
        #[inline(always)]
        fn all(self, pair: i32) -> __m256i {
            self.avx._mm256_set1_epi32(pair)
        }
        #[inline(always)]
        fn load(self, pairs: &[i32]) -> __m256i {
            pairs.first_chunk::<8>().map_or_else(|| self.zero(), |chunk| cast(*chunk))
        }
        #[inline(always)]
        fn load_codes(self, codes: &[i16]) -> __m256i {
            codes.first_chunk::<16>().map_or_else(|| self.zero(), |chunk| cast(*chunk))
        }
        #[inline(always)]
        fn add(self, sum: __m256i, a: __m256i, b: __m256i) -> __m256i {
            self.avx2._mm256_add_epi32(sum, self.avx2._mm256_madd_epi16(a, b))
        }
        #[inline(always)]
        fn store(self, sums: __m256i, out: &mut [i32]) {
            if let Some(out) = out.first_chunk_mut::<8>() {
                *out = cast(sums);
            }
        }
        #[inline(always)]
        fn totals(self, sums: [__m256i; SIDE]) -> [i32; SIDE] {
            totals!(self, sums)
        }
    }
}
