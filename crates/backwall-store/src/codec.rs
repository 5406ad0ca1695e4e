//! Waveforms, many to a block. Neighbouring samples differ little: differences, zigzag, low and high bytes apart,
//! then zstd at level 1 bring 12-bit noise-laden echoes to under half. Chunks of 32 waveforms are compressed one by
//! one behind a directory of their ends, so that a single waveform costs one small chunk. The codec stands in the
//! row; raw samples stay legal for ever.

use std::sync::Arc;

/// Waveforms in one chunk.
const CHUNK: usize = 32;
/// Most waveforms a block may hold.
pub(super) const BLOCK: usize = 256;

/// Most samples a waveform may have: a device counts them in 16 bits.
const SAMPLES: usize = u16::MAX as usize;

/// Little-endian i16, one waveform behind the other.
pub(super) const RAW: i64 = 0;
/// The chunk directory (u32 little-endian ends, counted from behind it), then the zstd frames.
pub(super) const DELTA_ZSTD: i64 = 1;

#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum CodecError {
    #[error("waveform codec {0} is not known")]
    Unknown(i64),
    #[error("a waveform block is cut short or does not unpack: {0}")]
    Broken(String),
}

/// Packs blocks; its buffers are kept from one to the next.
pub struct Packer {
    zstd: zstd::bulk::Compressor<'static>,
    planes: Vec<u8>,
    frame: Vec<u8>,
    out: Vec<u8>,
}

impl Packer {
    pub fn new() -> std::io::Result<Self> {
        Ok(Self { zstd: zstd::bulk::Compressor::new(1)?, planes: Vec::new(), frame: Vec::new(), out: Vec::new() })
    }

    /// Packs waveforms of one length; answers the codec used and the bytes.
    pub fn pack(&mut self, waveforms: &[Arc<[i16]>]) -> std::io::Result<(i64, &[u8])> {
        let raw_bytes: usize = waveforms.iter().map(|samples| samples.len() * 2).sum();
        let chunks = waveforms.len().div_ceil(CHUNK);
        self.out.clear();
        self.out.resize(chunks * 4, 0);
        for (index, chunk) in waveforms.chunks(CHUNK).enumerate() {
            self.spread(chunk);
            self.frame.clear();
            self.frame.reserve(zstd::zstd_safe::compress_bound(self.planes.len()));
            self.zstd.compress_to_buffer(&self.planes, &mut self.frame)?;
            self.out.extend_from_slice(&self.frame);
            let end = (self.out.len() - chunks * 4) as u32;
            self.out[index * 4..index * 4 + 4].copy_from_slice(&end.to_le_bytes());
        }
        if self.out.len() < raw_bytes {
            return Ok((DELTA_ZSTD, &self.out));
        }
        self.out.clear();
        for samples in waveforms {
            self.out.extend(samples.iter().flat_map(|sample| sample.to_le_bytes()));
        }
        Ok((RAW, &self.out))
    }

    /// Low bytes of all zigzagged differences, then the high bytes.
    fn spread(&mut self, chunk: &[Arc<[i16]>]) {
        let count: usize = chunk.iter().map(|samples| samples.len()).sum();
        self.planes.clear();
        self.planes.resize(count * 2, 0);
        let (low, high) = self.planes.split_at_mut(count);
        let mut at = 0;
        for samples in chunk {
            let mut last = 0i16;
            for &sample in samples.iter() {
                let delta = sample.wrapping_sub(last);
                last = sample;
                let zigzag = ((delta << 1) ^ (delta >> 15)) as u16;
                low[at] = zigzag as u8;
                high[at] = (zigzag >> 8) as u8;
                at += 1;
            }
        }
    }
}

/// Unpacks single waveforms of a block; its buffers are kept from one to the next.
#[derive(Default)]
pub struct Unpacker {
    zstd: Option<zstd::bulk::Decompressor<'static>>,
    planes: Vec<u8>,
    /// Which chunk `planes` holds.
    held: Option<usize>,
}

impl Unpacker {
    /// Forgets the chunk it holds: the next waveform is of another block.
    pub fn forget(&mut self) {
        self.held = None;
    }

    /// Waveform `index` of a block of `count` waveforms with `samples` samples each.
    pub fn unpack(&mut self, codec: i64, data: &[u8], count: usize, samples: usize, index: usize) -> Result<Arc<[i16]>, CodecError> {
        let mut out = Vec::new();
        self.unpack_into(codec, data, count, samples, index, &mut out)?;
        Ok(out.into())
    }

    /// The same into a buffer that is kept.
    pub fn unpack_into(
        &mut self,
        codec: i64,
        data: &[u8],
        count: usize,
        samples: usize,
        index: usize,
        out: &mut Vec<i16>,
    ) -> Result<(), CodecError> {
        out.clear();
        let broken = |what: &str| CodecError::Broken(what.to_owned());
        if index >= count || count > BLOCK {
            return Err(broken("it has no such waveform"));
        }
        // Before memory is taken for them.
        if samples > SAMPLES {
            return Err(CodecError::Broken(format!("it claims {samples} samples a waveform, more than the {SAMPLES} there can be")));
        }
        match codec {
            RAW => {
                let bytes = data.get(index * samples * 2..(index + 1) * samples * 2).ok_or_else(|| broken("too few bytes"))?;
                out.extend(bytes.as_chunks::<2>().0.iter().map(|pair| i16::from_le_bytes(*pair)));
                Ok(())
            }
            DELTA_ZSTD => {
                let chunk = index / CHUNK;
                let held = (count - chunk * CHUNK).min(CHUNK);
                if self.held != Some(chunk) {
                    self.held = None;
                    let frame = frame(data, count.div_ceil(CHUNK), chunk).ok_or_else(|| broken("its directory does not fit"))?;
                    let bytes = held * samples * 2;
                    self.planes.clear();
                    self.planes.reserve(bytes);
                    let unpacking = |error: std::io::Error| CodecError::Broken(error.to_string());
                    let zstd = match &mut self.zstd {
                        Some(zstd) => zstd,
                        none => none.insert(zstd::bulk::Decompressor::new().map_err(unpacking)?),
                    };
                    zstd.decompress_to_buffer(frame, &mut self.planes).map_err(unpacking)?;
                    if self.planes.len() != bytes {
                        return Err(broken("it unpacks to another length"));
                    }
                    self.held = Some(chunk);
                }
                let (low, high) = self.planes.split_at(held * samples);
                let from = index % CHUNK * samples;
                // Differences first, many at a time; then their sum, which is a chain and holds its last value in a register.
                out.extend(low[from..from + samples].iter().zip(&high[from..from + samples]).map(|(low, high)| {
                    let zigzag = u16::from_le_bytes([*low, *high]);
                    (zigzag >> 1) as i16 ^ -((zigzag & 1) as i16)
                }));
                let mut last = 0i16;
                for value in out.iter_mut() {
                    last = last.wrapping_add(*value);
                    *value = last;
                }
                Ok(())
            }
            other => Err(CodecError::Unknown(other)),
        }
    }
}

/// The bytes of one chunk, by the directory in front.
fn frame(data: &[u8], chunks: usize, chunk: usize) -> Option<&[u8]> {
    let (directory, frames) = data.split_at_checked(chunks * 4)?;
    let ends = directory.as_chunks::<4>().0;
    let end = |index: usize| ends.get(index).map(|end| u32::from_le_bytes(*end) as usize);
    let start = if chunk == 0 { 0 } else { end(chunk - 1)? };
    frames.get(start..end(chunk)?)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn round_trip(waveforms: &[Arc<[i16]>]) -> i64 {
        let mut packer = Packer::new().unwrap();
        let (codec, data) = packer.pack(waveforms).unwrap();
        let mut unpacker = Unpacker::default();
        for (index, samples) in waveforms.iter().enumerate().rev() {
            assert_eq!(&unpacker.unpack(codec, data, waveforms.len(), samples.len(), index).unwrap(), samples);
        }
        codec
    }

    proptest! {
        #[test]
        fn every_block_comes_back_as_it_went_in(
            samples in 0usize..70,
            waveforms in prop::collection::vec(prop::collection::vec(any::<i16>(), 70), 1..BLOCK),
        ) {
            let waveforms: Vec<Arc<[i16]>> = waveforms.iter().map(|all| all[..samples].into()).collect();
            round_trip(&waveforms);
        }

        #[test]
        fn broken_blocks_are_refused_without_a_panic(
            codec in 0i64..3, data in prop::collection::vec(any::<u8>(), 0..200),
            count in 0usize..300, samples in 0usize..40, index in 0usize..300,
        ) {
            let _ = Unpacker::default().unpack(codec, &data, count, samples, index);
        }
    }

    #[test]
    fn smooth_waveforms_shrink_and_noise_over_the_full_range_is_kept_raw() {
        let smooth: Arc<[i16]> = (0..1024).map(|i| (f64::from(i) / 9.0).sin().mul_add(900.0, 0.0) as i16).collect();
        assert_eq!(round_trip(&vec![smooth; 40]), DELTA_ZSTD);
        let mut state = 1u32;
        let noise: Arc<[i16]> = (0..1024)
            .map(|_| {
                state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
                (state >> 16) as i16
            })
            .collect();
        assert_eq!(round_trip(&[noise]), RAW);
    }
}
