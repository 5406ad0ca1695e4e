//! Consistent Overhead Byte Stuffing: frames without a zero byte, so that one zero byte can end each.
//!
//! Source: S. Cheshire and M. Baker, "Consistent Overhead Byte Stuffing", IEEE/ACM Transactions on
//! Networking 7(2), 1999.

/// Adds the stuffed form of `data` to `out`, without the ending zero.
pub fn encode(data: &[u8], out: &mut Vec<u8>) {
    let mut code_at = out.len();
    out.push(1);
    for byte in data {
        if *byte != 0 {
            out.push(*byte);
        }
        let length = out.len() - code_at;
        if *byte == 0 || length == 0xFF {
            out[code_at] = length as u8; // at most 0xFF by the test above
            code_at = out.len();
            out.push(1);
        }
    }
    // A block of 254 that ends the data needs no empty block behind it.
    if code_at + 1 == out.len() && code_at > 0 && !data.is_empty() && ends_with_full_block(data) {
        out.pop();
        return;
    }
    out[code_at] = (out.len() - code_at) as u8;
}

fn ends_with_full_block(data: &[u8]) -> bool {
    let tail = data.iter().rev().take_while(|byte| **byte != 0).count();
    tail > 0 && tail.is_multiple_of(254)
}

/// Puts the unstuffed form of `frame` (no zero byte in it) into `out`. False where it is not COBS.
pub fn decode(frame: &[u8], out: &mut Vec<u8>) -> bool {
    out.clear();
    let Some(rest) = frame.get(1..) else { return false };
    // Most blocks end in a zero where the next code byte stands: copy all at once, then put the zeros in.
    out.extend_from_slice(rest);
    let mut at = 0;
    loop {
        let code = usize::from(frame[at]);
        let next = at + code;
        if code == 0 || next > frame.len() {
            return false;
        }
        if next == frame.len() {
            return true;
        }
        if code == 0xFF {
            out.truncate(next - 1);
            return decode_blocks(&frame[next..], out);
        }
        out[next - 1] = 0;
        at = next;
    }
}

/// The slower way, block by block: needed from the first full block on, which has no zero behind it.
fn decode_blocks(mut frame: &[u8], out: &mut Vec<u8>) -> bool {
    while let Some(code) = frame.first() {
        let code = usize::from(*code);
        let Some(block) = frame.get(1..code) else { return false };
        out.extend_from_slice(block);
        frame = &frame[code..];
        if code != 0xFF && !frame.is_empty() {
            out.push(0);
        }
    }
    true
}

/// Places in `frame` where a block ends and another begins, where the chain of codes can be followed.
pub fn block_ends(frame: &[u8]) -> impl Iterator<Item = usize> + '_ {
    let mut at = 0;
    std::iter::from_fn(move || {
        let code = usize::from(*frame.get(at)?);
        at += code;
        (code > 0 && at < frame.len()).then_some(at)
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Worked examples of Cheshire and Baker 1999, as tabulated at
    /// en.wikipedia.org/wiki/Consistent_Overhead_Byte_Stuffing#Encoding_examples (without the ending zero).
    #[test]
    fn published_examples_are_coded_byte_for_byte() {
        let from = |range: std::ops::RangeInclusive<u16>| range.map(|n| n as u8).collect::<Vec<u8>>();
        let with = |head: &[u8], tail: Vec<u8>, end: &[u8]| [head, &tail, end].concat();
        let table: Vec<(Vec<u8>, Vec<u8>)> = vec![
            (vec![0], vec![1, 1]),
            (vec![0, 0], vec![1, 1, 1]),
            (vec![0, 0x11, 0], vec![1, 2, 0x11, 1]),
            (vec![0x11, 0x22, 0, 0x33], vec![3, 0x11, 0x22, 2, 0x33]),
            (vec![0x11, 0x22, 0x33, 0x44], vec![5, 0x11, 0x22, 0x33, 0x44]),
            (vec![0x11, 0, 0, 0], vec![2, 0x11, 1, 1, 1]),
            (from(1..=254), with(&[0xFF], from(1..=254), &[])),
            (from(0..=254), with(&[1, 0xFF], from(1..=254), &[])),
            (from(1..=255), with(&[0xFF], from(1..=254), &[2, 0xFF])),
            (with(&[], from(2..=255), &[0]), with(&[0xFF], from(2..=255), &[1, 1])),
            (with(&[], from(3..=255), &[0, 1]), with(&[0xFE], from(3..=255), &[2, 1])),
            (vec![], vec![1]),
        ];
        for (plain, stuffed) in table {
            let (mut coded, mut back) = (Vec::new(), Vec::new());
            encode(&plain, &mut coded);
            assert_eq!(coded, stuffed, "{plain:02X?}");
            assert!(decode(&stuffed, &mut back));
            assert_eq!(back, plain);
        }
    }

    #[test]
    fn what_is_not_cobs_is_refused() {
        let mut out = Vec::new();
        for bad in [&[][..], &[2], &[3, 1], &[1, 5, 1], &[0xFF, 1, 2]] {
            assert!(!decode(bad, &mut out), "{bad:02X?}");
        }
    }

    proptest::proptest! {
        #[test]
        fn any_bytes_come_back(plain in proptest::collection::vec(0u8..4, 0..1200), fill in 0usize..3) {
            let plain: Vec<u8> = if fill == 0 { plain.iter().map(|b| b | 1).collect() } else { plain };
            let (mut coded, mut back) = (b"before".to_vec(), Vec::new());
            encode(&plain, &mut coded);
            assert!(!coded[6..].contains(&0));
            assert!(coded.len() - 6 <= plain.len() + plain.len() / 254 + 1);
            assert!(decode(&coded[6..], &mut back));
            assert_eq!(back, plain);
        }
    }
}
