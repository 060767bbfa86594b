//! A shop's signature over a record's manifest: Ed25519 (RFC 8032), keys in the PEM forms of RFC 8410 that general tools read.

use crate::capture::read_text;
use crate::limits::LARGEST_KEY_BYTES;
use crate::record::problem::Problem;
use ed25519_dalek::pkcs8::spki::der::pem::LineEnding;
use ed25519_dalek::pkcs8::{DecodePrivateKey, DecodePublicKey, EncodePrivateKey, EncodePublicKey};
use ed25519_dalek::{Signature, Signer, SigningKey, VerifyingKey};
use std::path::Path;

/// The public key's name in a signed record.
pub const PUBLIC_KEY: &str = "public-key.pem";

/// A shop's key pair.
pub struct ShopKey(SigningKey);

impl ShopKey {
    /// A new one, from the system's random source.
    ///
    /// # Errors
    /// The system has none to give.
    pub fn generate() -> Result<Self, Problem> {
        let mut seed = [0; 32];
        getrandom::fill(&mut seed).map_err(|e| {
            Problem::of_file(
                "key",
                format!("the system gives no random numbers ({e})"),
                "Make the key on another machine.",
            )
        })?;
        Ok(Self(SigningKey::from_bytes(&seed)))
    }

    /// Reads a private key.
    ///
    /// # Errors
    /// The file cannot be read or is no such key.
    pub fn read(path: &Path) -> Result<Self, Problem> {
        let text = key_text(path)?;
        SigningKey::from_pkcs8_pem(&text).map(Self).map_err(|_| {
            Problem::of_file(
                path.display().to_string(),
                "this is no private Ed25519 key in PEM form",
                "`plumbsight key FILE` makes one; name the file itself, not the one that ends in .pub.pem.",
            )
        })
    }

    /// The private key as text. It is secret.
    ///
    /// # Errors
    /// It cannot be encoded.
    pub fn private_pem(&self) -> Result<String, Problem> {
        self.0.to_pkcs8_pem(LineEnding::LF).map(|pem| pem.to_string()).map_err(not_encoded)
    }

    /// The public key as text.
    ///
    /// # Errors
    /// It cannot be encoded.
    pub fn public_pem(&self) -> Result<String, Problem> {
        self.0.verifying_key().to_public_key_pem(LineEnding::LF).map_err(not_encoded)
    }

    /// The signature over a manifest's bytes: 64 bytes.
    pub fn sign(&self, manifest: &[u8]) -> Vec<u8> {
        self.0.sign(manifest).to_bytes().to_vec()
    }
}

fn not_encoded<E: std::fmt::Display>(e: E) -> Problem {
    Problem::of_file(
        "key",
        format!("it cannot be written as PEM ({e})"),
        "This is a fault of the program: please report it.",
    )
}

/// Text of a key file that may be compared and shown.
///
/// # Errors
/// The file cannot be read or is too large for a key.
fn key_text(path: &Path) -> Result<String, Problem> {
    let fail = |what: String| Problem::of_file(path.display().to_string(), what, "Name the key's file.");
    read_text(path, LARGEST_KEY_BYTES).map_err(|e| fail(e.to_string()))
}

/// Text of a public key's file.
///
/// # Errors
/// It cannot be read, or holds no public key; a private one is named as such.
pub fn public_key_text(path: &Path) -> Result<String, Problem> {
    let text = key_text(path)?;
    if VerifyingKey::from_public_key_pem(&text).is_ok() {
        return Ok(text);
    }
    let (what, remedy) = match text.contains("PRIVATE KEY") {
        true => (
            "this is a private key, and a signature is checked with the public one",
            "Give the shop's public key (`plumbsight key` wrote it beside, as *.pub.pem), and keep the private one to yourself.",
        ),
        false => ("it holds no public key (Ed25519, PEM)", "Give the file *.pub.pem that `plumbsight key` wrote."),
    };
    Err(Problem::of_file(path.display().to_string(), what, remedy))
}

/// True where the signature over the manifest was made with the private key of `public_pem`.
pub fn is_signed_by(public_pem: &str, manifest: &[u8], signature: &[u8]) -> bool {
    let Ok(key) = VerifyingKey::from_public_key_pem(public_pem) else { return false };
    let Ok(signature) = Signature::from_slice(signature) else { return false };
    key.verify_strict(manifest, &signature).is_ok()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_published_example_is_reproduced() {
        // RFC 8032, 7.1, test 2 (one byte 0x72), from memory: secret key, public key, signature.
        let bytes = |hex: &str| -> Vec<u8> {
            (0..hex.len() / 2).map(|k| u8::from_str_radix(&hex[2 * k..2 * k + 2], 16).unwrap()).collect()
        };
        let secret = bytes("4ccd089b28ff96da9db6c346ec114e0f5b8a319f35aba624da8cf6ed4fb8a6fb");
        let key = ShopKey(SigningKey::from_bytes(&secret.try_into().unwrap()));
        let public = bytes("3d4017c3e843895a92b70aa74d1b7ebc9c982ccf2ec4968cc0cd55f12af4660c");
        assert_eq!(key.0.verifying_key().to_bytes().to_vec(), public);
        let wanted = "92a009a9f0d4cab8720e820b5f642540a2b27b5416503f8fb3762223ebdb69da085ac1e43e15996e458f3613d0f11d8c387b2eaeb4302aeeb00d291612bb0c00";
        assert_eq!(key.sign(&[0x72]), bytes(wanted));
    }

    #[test]
    fn keys_go_through_their_files_and_a_changed_byte_is_noticed() {
        let dir = tempfile::tempdir().unwrap();
        let key = ShopKey::generate().unwrap();
        let path = dir.path().join("shop.pem");
        std::fs::write(&path, key.private_pem().unwrap()).unwrap();
        let again = ShopKey::read(&path).unwrap();
        let public = again.public_pem().unwrap();
        assert_eq!(public, key.public_pem().unwrap());
        let signature = again.sign(b"manifest");
        assert!(is_signed_by(&public, b"manifest", &signature));
        assert!(!is_signed_by(&public, b"manifesT", &signature));
        let mut bad = signature.clone();
        bad[40] ^= 1;
        assert!(!is_signed_by(&public, b"manifest", &bad) && !is_signed_by(&public, b"manifest", &bad[..63]));
        assert!(!is_signed_by(&ShopKey::generate().unwrap().public_pem().unwrap(), b"manifest", &signature));
        std::fs::write(&path, &public).unwrap();
        assert!(ShopKey::read(&path).err().unwrap().what.contains("no private"));
    }
}
