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
    engine: Engine,
}

#[derive(Clone)]
enum Engine {
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
            Engine::Castagnoli => u64::from(crc32c::crc32c(bytes)),
            Engine::U8(crc) => u64::from(crc.checksum(bytes)),
            Engine::U16(crc) => u64::from(crc.checksum(bytes)),
            Engine::U32(crc) => u64::from(crc.checksum(bytes)),
            Engine::U64(crc) => crc.checksum(bytes),
        }
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

/// `CRC-32/ISCSI` and `crc_32_iscsi` name the same.
fn same_name(constant: &str, name: &str) -> bool {
    constant.len() == name.len()
        && constant.bytes().zip(name.bytes()).all(|(a, b)| a.eq_ignore_ascii_case(&b) || (a == b'_' && matches!(b, b'-' | b'/')))
}

macro_rules! catalogue {
    ($($engine:ident: $($name:ident),*;)*) => {
        /// The algorithm of a catalogue name; `None` where the catalogue has no such name.
        pub fn by_name(name: &str) -> Option<Checksum> {
            if same_name("CRC_32_ISCSI", name) {
                return Some(Checksum { name: "CRC_32_ISCSI", width: 32, engine: Engine::Castagnoli });
            }
            $($(
                if same_name(stringify!($name), name) {
                    static ALGORITHM: &crc::Algorithm<width!($engine)> = &crc::$name;
                    let engine = Engine::$engine(Arc::new(Crc::<width!($engine), Table<16>>::new(ALGORITHM)));
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
}
