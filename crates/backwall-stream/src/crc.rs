//! Every checksum of the CRC catalogue up to 64 bits, by its catalogue name.
//!
//! Source: G. Cook, "Catalogue of parametrised CRC algorithms" (reveng.sourceforge.io/crc-catalogue).

use crc::{Crc, Table};
use std::sync::Arc;

/// One algorithm made ready. Cheap to clone.
#[derive(Clone)]
pub struct Checksum {
    name: &'static str,
    width: u8,
    engine: CrcEngine,
}

#[derive(Clone)]
enum CrcEngine {
    /// CRC-32/ISCSI, which processors have an instruction for; the crate takes tables where they have none.
    Castagnoli,
    U8(Arc<Crc<u8, Table<16>>>),
    U16(Arc<Crc<u16, Table<16>>>),
    U32(Arc<Crc<u32, Table<16>>>),
    U64(Arc<Crc<u64, Table<16>>>),
}

impl Checksum {
    pub fn of(&self, bytes: &[u8]) -> u64 {
        match &self.engine {
            CrcEngine::Castagnoli => u64::from(crc32c::crc32c(bytes)),
            CrcEngine::U8(crc) => u64::from(crc.checksum(bytes)),
            CrcEngine::U16(crc) => u64::from(crc.checksum(bytes)),
            CrcEngine::U32(crc) => u64::from(crc.checksum(bytes)),
            CrcEngine::U64(crc) => crc.checksum(bytes),
        }
    }

    /// Whether the value fills its bytes.
    pub fn is_bytes(&self) -> bool {
        self.width.is_multiple_of(8)
    }

    /// Whole bytes the value takes in a frame.
    pub fn bytes(&self) -> usize {
        usize::from(self.width).div_ceil(8)
    }
}

impl std::fmt::Debug for Checksum {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str(self.name)
    }
}

/// Other names of algorithms, as manuals print them; the catalogue lists them as aliases.
const ALIASES: &[(&str, &str)] = &[
    ("CRC-16/CCITT-FALSE", "CRC-16/IBM-3740"),
    ("CRC-16/AUTOSAR", "CRC-16/IBM-3740"),
    ("CRC-16/CCITT", "CRC-16/KERMIT"),
    ("CRC-16/CCITT-TRUE", "CRC-16/KERMIT"),
    ("CRC-CCITT", "CRC-16/KERMIT"),
    ("CRC-16/V-41-LSB", "CRC-16/KERMIT"),
    ("KERMIT", "CRC-16/KERMIT"),
    ("CRC-16", "CRC-16/ARC"),
    ("CRC-IBM", "CRC-16/ARC"),
    ("CRC-16/LHA", "CRC-16/ARC"),
    ("ARC", "CRC-16/ARC"),
    ("MODBUS", "CRC-16/MODBUS"),
    ("XMODEM", "CRC-16/XMODEM"),
    ("ZMODEM", "CRC-16/XMODEM"),
    ("CRC-16/ACORN", "CRC-16/XMODEM"),
    ("CRC-16/LTE", "CRC-16/XMODEM"),
    ("CRC-16/V-41-MSB", "CRC-16/XMODEM"),
    ("CRC-16/AUG-CCITT", "CRC-16/SPI-FUJITSU"),
    ("CRC-16/ISO-HDLC", "CRC-16/IBM-SDLC"),
    ("CRC-16/X-25", "CRC-16/IBM-SDLC"),
    ("CRC-B", "CRC-16/IBM-SDLC"),
    ("X-25", "CRC-16/IBM-SDLC"),
    ("CRC-16/DARC", "CRC-16/GENIBUS"),
    ("CRC-16/EPC", "CRC-16/GENIBUS"),
    ("CRC-16/BUYPASS", "CRC-16/UMTS"),
    ("CRC-A", "CRC-16/ISO-IEC-14443-3-A"),
    ("CRC-8", "CRC-8/SMBUS"),
    ("CRC-8/CCITT", "CRC-8/SMBUS"),
    ("CRC-8/MAXIM", "CRC-8/MAXIM-DOW"),
    ("DOW-CRC", "CRC-8/MAXIM-DOW"),
    ("CRC-8/ITU", "CRC-8/I-432-1"),
    ("CRC-8/AES", "CRC-8/TECH-3250"),
    ("CRC-8/EBU", "CRC-8/TECH-3250"),
    ("CRC-24", "CRC-24/OPENPGP"),
    ("CRC-32", "CRC-32/ISO-HDLC"),
    ("CRC-32/ADCCP", "CRC-32/ISO-HDLC"),
    ("CRC-32/V-42", "CRC-32/ISO-HDLC"),
    ("CRC-32/XZ", "CRC-32/ISO-HDLC"),
    ("PKZIP", "CRC-32/ISO-HDLC"),
    ("CRC-32C", "CRC-32/ISCSI"),
    ("CRC-32/CASTAGNOLI", "CRC-32/ISCSI"),
    ("CRC-32/INTERLAKEN", "CRC-32/ISCSI"),
    ("CRC-32/BASE91-C", "CRC-32/ISCSI"),
    ("CRC-32D", "CRC-32/BASE91-D"),
    ("CRC-32Q", "CRC-32/AIXM"),
    ("CRC-32/POSIX", "CRC-32/CKSUM"),
    ("CKSUM", "CRC-32/CKSUM"),
    ("CRC-32/AAL5", "CRC-32/BZIP2"),
    ("CRC-32/DECT-B", "CRC-32/BZIP2"),
    ("B-CRC-32", "CRC-32/BZIP2"),
    ("CRC-64", "CRC-64/ECMA-182"),
    ("CRC-64/GO-ECMA", "CRC-64/XZ"),
];

/// The algorithm by the name of the catalogue or another that manuals print; `None` where neither knows it.
pub fn by_name(name: &str) -> Option<Checksum> {
    let alias = ALIASES.iter().find(|(alias, _)| letters(alias).eq(letters(name))).map(|(_, known)| *known);
    of_catalogue(alias.unwrap_or(name))
}

/// A name as the catalogue prints it.
pub fn printed(constant: &str) -> String {
    let mut parts = constant.splitn(3, '_');
    match (parts.next(), parts.next(), parts.next()) {
        (Some(crc), Some(width), Some(rest)) => format!("{crc}-{width}/{}", rest.replace('_', "-")),
        _ => constant.to_owned(),
    }
}

fn letters(name: &str) -> impl Iterator<Item = char> + '_ {
    name.chars().filter(char::is_ascii_alphanumeric).map(|letter| letter.to_ascii_uppercase())
}

/// What may be meant by a name that nobody knows: the nearest, or all of its width.
pub fn hint(name: &str) -> String {
    let wanted: String = letters(name).collect();
    let all = NAMES.iter().map(|name| printed(name)).chain(ALIASES.iter().map(|(alias, _)| (*alias).to_owned()));
    let near = all.map(|known| (distance(&wanted, &letters(&known).collect::<String>()), known)).min();
    if let Some((distance, known)) = near
        && distance * 4 <= wanted.len()
    {
        return format!(": did you mean {known}?");
    }
    let width: String = name.chars().skip_while(|char| !char.is_ascii_digit()).take_while(char::is_ascii_digit).collect();
    let start = format!("CRC_{width}_");
    let of_width: Vec<String> = NAMES.iter().filter(|known| known.starts_with(&start)).map(|known| printed(known)).collect();
    if of_width.is_empty() || width.is_empty() {
        ": write it as there, as CRC-32/ISCSI or CRC-16/MODBUS".to_owned()
    } else {
        format!(": its {width}-bit entries are {}; `backwall profile try` says which fits the bytes that come", of_width.join(", "))
    }
}

/// How many letters are wrong, missing or too many (the edit distance of Levenshtein).
fn distance(a: &str, b: &str) -> usize {
    let b: Vec<char> = b.chars().collect();
    let mut row: Vec<usize> = (0..=b.len()).collect();
    for (line, a) in a.chars().enumerate() {
        let mut before = std::mem::replace(&mut row[0], line + 1);
        for at in 0..b.len() {
            let change = before + usize::from(a != b[at]);
            before = row[at + 1];
            row[at + 1] = change.min(before + 1).min(row[at] + 1);
        }
    }
    row[b.len()]
}

/// `CRC-32/ISCSI` and `crc_32_iscsi` name the same.
fn same_name(constant: &str, name: &str) -> bool {
    constant.len() == name.len()
        && constant.bytes().zip(name.bytes()).all(|(a, b)| a.eq_ignore_ascii_case(&b) || (a == b'_' && matches!(b, b'-' | b'/')))
}

macro_rules! catalogue {
    ($($engine:ident: $($name:ident),*;)*) => {
        /// The algorithm of a catalogue name; `None` where the catalogue has no such name.
        fn of_catalogue(name: &str) -> Option<Checksum> {
            if same_name("CRC_32_ISCSI", name) {
                return Some(Checksum { name: "CRC_32_ISCSI", width: 32, engine: CrcEngine::Castagnoli });
            }
            $($(
                if same_name(stringify!($name), name) {
                    static ALGORITHM: &crc::Algorithm<width!($engine)> = &crc::$name;
                    let engine = CrcEngine::$engine(Arc::new(Crc::<width!($engine), Table<16>>::new(ALGORITHM)));
                    return Some(Checksum { name: stringify!($name), width: ALGORITHM.width, engine });
                }
            )*)*
            None
        }

        /// All names, as the constants of the catalogue are written.
        pub const NAMES: &[&str] = &[$($(stringify!($name)),*),*];

        #[cfg(test)]
        const CHECKS: &[u64] = &[$($(crc::$name.check as u64),*),*];
    };
}

macro_rules! width {
    (U8) => {
        u8
    };
    (U16) => {
        u16
    };
    (U32) => {
        u32
    };
    (U64) => {
        u64
    };
}

catalogue! {
    U8: CRC_3_GSM, CRC_3_ROHC, CRC_4_G_704, CRC_4_INTERLAKEN, CRC_5_EPC_C1G2, CRC_5_G_704, CRC_5_USB, CRC_6_CDMA2000_A, CRC_6_CDMA2000_B, CRC_6_DARC, CRC_6_GSM, CRC_6_G_704, CRC_7_MMC, CRC_7_ROHC, CRC_7_UMTS, CRC_8_AUTOSAR, CRC_8_BLUETOOTH, CRC_8_CDMA2000, CRC_8_DARC, CRC_8_DVB_S2, CRC_8_GSM_A, CRC_8_GSM_B, CRC_8_HITAG, CRC_8_I_432_1, CRC_8_I_CODE, CRC_8_LTE, CRC_8_MAXIM_DOW, CRC_8_MIFARE_MAD, CRC_8_NRSC_5, CRC_8_OPENSAFETY, CRC_8_ROHC, CRC_8_SAE_J1850, CRC_8_SMBUS, CRC_8_TECH_3250, CRC_8_WCDMA;
    U16: CRC_10_ATM, CRC_10_CDMA2000, CRC_10_GSM, CRC_11_FLEXRAY, CRC_11_UMTS, CRC_12_CDMA2000, CRC_12_DECT, CRC_12_GSM, CRC_12_UMTS, CRC_13_BBC, CRC_14_DARC, CRC_14_GSM, CRC_15_CAN, CRC_15_MPT1327, CRC_16_ARC, CRC_16_CDMA2000, CRC_16_CMS, CRC_16_DDS_110, CRC_16_DECT_R, CRC_16_DECT_X, CRC_16_DNP, CRC_16_EN_13757, CRC_16_GENIBUS, CRC_16_GSM, CRC_16_IBM_3740, CRC_16_IBM_SDLC, CRC_16_ISO_IEC_14443_3_A, CRC_16_KERMIT, CRC_16_LJ1200, CRC_16_M17, CRC_16_MAXIM_DOW, CRC_16_MCRF4XX, CRC_16_MODBUS, CRC_16_NRSC_5, CRC_16_OPENSAFETY_A, CRC_16_OPENSAFETY_B, CRC_16_PROFIBUS, CRC_16_RIELLO, CRC_16_SPI_FUJITSU, CRC_16_T10_DIF, CRC_16_TELEDISK, CRC_16_TMS37157, CRC_16_UMTS, CRC_16_USB, CRC_16_XMODEM;
    U32: CRC_17_CAN_FD, CRC_21_CAN_FD, CRC_24_BLE, CRC_24_FLEXRAY_A, CRC_24_FLEXRAY_B, CRC_24_INTERLAKEN, CRC_24_LTE_A, CRC_24_LTE_B, CRC_24_OPENPGP, CRC_24_OS_9, CRC_30_CDMA, CRC_31_PHILIPS, CRC_32_AIXM, CRC_32_AUTOSAR, CRC_32_BASE91_D, CRC_32_BZIP2, CRC_32_CD_ROM_EDC, CRC_32_CKSUM, CRC_32_ISCSI, CRC_32_ISO_HDLC, CRC_32_JAMCRC, CRC_32_MEF, CRC_32_MPEG_2, CRC_32_XFER;
    U64: CRC_40_GSM, CRC_64_ECMA_182, CRC_64_GO_ISO, CRC_64_MS, CRC_64_NVME, CRC_64_REDIS, CRC_64_WE, CRC_64_XZ;
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Check values (of the ASCII digits 1 to 9) as printed in the CRC catalogue.
    #[test]
    fn published_check_values_come_out() {
        for (name, check, bytes) in [
            ("CRC-32/ISCSI", 0xE306_9283, 4),
            ("CRC-32/ISO-HDLC", 0xCBF4_3926, 4),
            ("CRC-16/MODBUS", 0x4B37, 2),
            ("CRC-16/IBM-3740", 0x29B1, 2),
            ("CRC-16/XMODEM", 0x31C3, 2),
            ("CRC-16/KERMIT", 0x2189, 2),
            ("CRC-8/SMBUS", 0xF4, 1),
            ("CRC-24/OPENPGP", 0x21_CF02, 3),
            ("CRC-64/XZ", 0x995D_C9BB_DF19_39FA, 8),
            ("CRC-3/GSM", 0x4, 1),
            ("CRC-12/UMTS", 0xDAF, 2),
        ] {
            let sum = by_name(name).unwrap_or_else(|| panic!("{name}"));
            assert_eq!(sum.of(b"123456789"), check, "{name}");
            assert_eq!(sum.bytes(), bytes, "{name}");
        }
    }

    /// The table-driven algorithm of the catalogue stands against the one the processor helps with.
    #[test]
    fn both_ways_to_crc_32c_agree_on_any_length() {
        let (fast, table) = (by_name("CRC-32/ISCSI").unwrap(), Crc::<u32, Table<16>>::new(&crc::CRC_32_ISCSI));
        let bytes: Vec<u8> = (0..5000u32).map(|at| (at.wrapping_mul(2_654_435_761) >> 13) as u8).collect();
        for length in (0..70).chain([255, 256, 1023, 1024, 2071, 4999, 5000]) {
            for from in [0, 1, 7] {
                let covered = &bytes[from.min(length)..length];
                assert_eq!(fast.of(covered), u64::from(table.checksum(covered)), "{from} to {length}");
            }
        }
    }

    #[test]
    fn every_algorithm_gives_the_check_value_its_catalogue_entry_states() {
        assert_eq!(NAMES.len(), 112);
        for (name, check) in NAMES.iter().zip(CHECKS) {
            assert_eq!(by_name(name).unwrap().of(b"123456789"), *check, "{name}");
        }
        assert!(by_name("CRC-32/NO-SUCH").is_none());
    }

    /// The catalogue's entry of 29B1h lists CRC-16/CCITT-FALSE as an alias; the check values are those it prints.
    #[test]
    fn names_that_manuals_print_are_known_and_a_slip_is_answered_with_the_nearest() {
        for (alias, check) in [
            ("CRC-16/CCITT-FALSE", 0x29B1),
            ("crc16 ccitt false", 0x29B1),
            ("CRC-16/X-25", 0x906E),
            ("CRC-16", 0xBB3D),
            ("CRC-32", 0xCBF4_3926),
            ("CRC-32C", 0xE306_9283),
            ("CRC-16/CCITT", 0x2189),
        ] {
            assert_eq!(by_name(alias).unwrap_or_else(|| panic!("{alias}")).of(b"123456789"), check, "{alias}");
        }
        for (alias, known) in ALIASES {
            assert!(of_catalogue(known).is_some(), "{alias} leads to {known}");
            assert!(of_catalogue(alias).is_none(), "{alias} is a name of the catalogue itself");
        }
        assert_eq!(hint("CRC-16/MODBUSS"), ": did you mean CRC-16/MODBUS?");
        assert_eq!(hint("CRC-32/CASTAGNOLY"), ": did you mean CRC-32/CASTAGNOLI?");
        assert!(hint("CRC-16/WHATEVER-ELSE").starts_with(": its 16-bit entries are CRC-16/ARC, "));
    }
}
