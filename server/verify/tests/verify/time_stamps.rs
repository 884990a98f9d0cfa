//! Time-stamp tokens. Those here were made by `openssl ts -reply`, which also says that they are good.

use std::path::Path;

use tallyseal_schema::Hash;
use tallyseal_verify::time_stamp::{Answer, Authorities, answer, covers, judge, request};

fn file(name: &str) -> Vec<u8> {
    std::fs::read(Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/time_stamps").join(name)).unwrap()
}

fn authorities(name: &str) -> Authorities {
    Authorities::read(&file(&format!("{name}.pem"))).unwrap()
}

fn over() -> Hash {
    Hash::of(&file("note.txt"))
}

#[test]
fn tokens_of_both_kinds_of_keys_are_good() {
    let certificates = [
        ("rsa", "7a9c7f33a99d02e720de4d5922fe92f3292c5a4c4023a25794ae2f8d9d55e831"),
        ("p256", "4fdc6d5550b869e97a3bce6d4eabb250aff0e0cc743f05f29d6b66b5552b3dd6"),
    ];
    for (name, certificate) in certificates {
        let stamp = judge(&file(&format!("{name}.tst")), &over(), Some(&authorities(name))).unwrap();
        assert_eq!(stamp.authority, "CN=Clock of quality,O=Quality");
        assert_eq!((stamp.accuracy_us, stamp.certified), (1_000_000, true));
        assert_eq!(stamp.certificate.to_string(), certificate, "as openssl x509 -fingerprint -sha256 says");
        assert!(stamp.at.to_string().starts_with("2026-11-26T10:40:2"), "{}", stamp.at);
        assert_eq!(stamp.before(), stamp.at.plus_micros(1_000_000));
        assert_eq!(covers(&file(&format!("{name}.tst"))).unwrap(), over());
        // Held against nothing it is as good as whoever answered.
        let stamp = judge(&file(&format!("{name}.tst")), &over(), None).unwrap();
        assert!(!stamp.certified);
    }
}

#[test]
fn no_bit_of_a_token_can_be_another() {
    for name in ["rsa", "p256", "chain"] {
        let (good, given) = (file(&format!("{name}.tst")), authorities(name));
        for at in 0..good.len() {
            // Two bits of each byte: all eight say no more and take four times as long.
            for bit in [at % 7, 7] {
                let mut bytes = good.clone();
                bytes[at] ^= 1 << bit;
                let judged = judge(&bytes, &over(), Some(&given));
                assert!(judged.is_err(), "{name}: bit {bit} of byte {at}: {judged:?}");
            }
        }
        for len in 0..good.len() {
            assert!(judge(&good[..len], &over(), Some(&given)).is_err());
        }
        assert!(judge(&[good.as_slice(), b"\0"].concat(), &over(), Some(&given)).is_err());
    }
}

#[test]
fn a_path_over_an_authority_between_is_followed_and_nobodys_certificate_is_carried_along() {
    let given = authorities("chain");
    for name in ["chain", "sha512"] {
        let stamp = judge(&file(&format!("{name}.tst")), &over(), Some(&given)).unwrap();
        assert!(stamp.at.to_string().starts_with("2026-11-26T11:07:1"), "{}", stamp.at);
        // Of a thousandth of a second, as this authority says it.
        assert_ne!(stamp.at.micros() % 1_000_000, 0);
    }
    // The same path; the certificate beside it is of another authority, which is not here.
    let strange = judge(&file("strange.tst"), &over(), Some(&given)).unwrap_err().to_string();
    assert!(strange.contains("signed by none that is here"), "{strange}");
    let both = Authorities::read(&[file("chain.pem"), file("p256.pem")].concat()).unwrap();
    assert!(judge(&file("strange.tst"), &over(), Some(&both)).is_ok());
    // The signature names its certificate: another one of the same key, issuer and serial number is another.
    let swapped = judge(&file("swapped.tst"), &over(), Some(&authorities("rsa"))).unwrap_err().to_string();
    assert!(swapped.contains("names another certificate"), "{swapped}");
    // SHA-1 is asked of nobody any more.
    let sha1 = judge(&file("sha1.tst"), &over(), Some(&given)).unwrap_err().to_string();
    assert!(sha1.contains("ESSCertIDv2"), "{sha1}");
}

#[test]
fn a_token_over_something_else_or_of_another_authority_is_refused() {
    let token = file("rsa.tst");
    let refused =
        |token: &[u8], over: &Hash, name: &str| judge(token, over, Some(&authorities(name))).unwrap_err().to_string();
    assert!(refused(&token, &Hash::of(b"another"), "rsa").contains("over something else"));
    assert!(refused(&token, &over(), "p256").contains("does not lead to one that was given"));
    assert!(refused(&vec![0; 70_000], &over(), "rsa").contains("longer than"));
    for bad in [&b""[..], b"no PEM", b"-----BEGIN CERTIFICATE-----\nAAAA\n-----END CERTIFICATE-----\n"] {
        assert!(Authorities::read(bad).is_err());
    }
    let both = Authorities::read(&[file("rsa.pem"), file("p256.pem")].concat()).unwrap();
    assert_eq!(both.fingerprints().len(), 2);
    assert!(judge(&token, &over(), Some(&both)).is_ok());
    assert!(Authorities::read(&file("rsa.pem").repeat(17)).is_err());
}

#[test]
fn an_answer_is_for_the_question_that_was_asked() {
    let given = authorities("rsa");
    // What `openssl ts -query -cert` asks has these parts too: version, imprint, nonce, true.
    let asked = request(&over(), &[0, 0, 0x80, 1]).unwrap();
    assert!(asked.starts_with(&[0x30]) && asked.ends_with(&[0x02, 0x03, 0, 0x80, 1, 0x01, 0x01, 0xff]), "{asked:x?}");
    let response = |status: u8, token: &[u8]| {
        let inside = [&[0x30, 0x03, 0x02, 0x01, status], token].concat();
        let length = u16::try_from(inside.len()).unwrap().to_be_bytes();
        [&[0x30, 0x82], &length[..], &inside].concat()
    };
    let token = file("rsa.tst");
    // As `openssl ts -reply -text` shows it.
    let nonce = &[0x22, 0xda, 0xca, 0x3b, 0x79, 0x56, 0xd1, 0xbc][..];
    let good = answer(&response(0, &token), &over(), nonce, Some(&given));
    assert!(matches!(&good, Answer::Token(bytes, _) if *bytes == token), "{good:?}");
    let padded = [&[0, 0][..], nonce].concat();
    assert!(matches!(answer(&response(1, &token), &over(), &padded, Some(&given)), Answer::Token(..)));
    for other in [&[1u8][..], &[], &[0], &nonce[1..]] {
        let bad = answer(&response(0, &token), &over(), other, Some(&given));
        assert!(matches!(&bad, Answer::Bad(why) if why.to_string().contains("nonce")), "{bad:?}");
    }
    for no in [response(2, &token), response(0, &[]), response(5, &[]), b"<html>".to_vec(), vec![0; 70_000]] {
        let answered = answer(&no, &over(), nonce, Some(&given));
        assert!(matches!(answered, Answer::No(_)), "{answered:?}");
    }
    let bad = answer(&response(0, &file("p256.tst")), &over(), nonce, Some(&given));
    assert!(matches!(bad, Answer::Bad(_)), "{bad:?}");
}
