//! A time-stamping authority on loopback: HTTP of our own around `openssl ts -reply`, which makes each token.

use std::io::{Read as _, Write as _};
use std::net::{SocketAddr, TcpListener, TcpStream};
use std::path::{Path, PathBuf};
use std::process::Command;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::sync::{Arc, Mutex};
use std::time::Duration;

use tempfile::TempDir;

/// How an authority answers.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Manner {
    /// As it should.
    Good,
    /// It hangs up.
    Away,
    /// It gives no token: `openssl` refuses the hash function.
    Refuses,
    /// The token is for another request over the same checkpoint.
    OtherNonce,
    /// The token is over something else.
    OtherImprint,
    /// The same, but a byte of the signature is another.
    Spoiled,
    /// The token is signed with the certificate of that name.
    SignedBy(&'static str),
    /// The authority's clock stands there.
    Clock(&'static str),
    /// More bytes than any token has.
    Endless,
    /// It says that an answer comes, and none does.
    Stalls,
    /// HTTP 500.
    Breaks,
}

/// An authority with keys, certificates and a directory of its own.
pub struct Authority {
    address: SocketAddr,
    asked: Arc<AtomicUsize>,
    folder: TempDir,
    manner: Arc<Mutex<Manner>>,
}

/// Since when its certificates are valid.
const SINCE: &str = "2019-01-01 00:00:00";

#[track_caller]
fn run(dir: &Path, at: Option<&str>, words: &[&str]) {
    let mut command = Command::new(if at.is_some() { "faketime" } else { "openssl" });
    if let Some(at) = at {
        command.args([at, "openssl"]);
    }
    let done = command.args(words).current_dir(dir).output().unwrap();
    assert!(done.status.success(), "openssl {words:?}: {}", String::from_utf8_lossy(&done.stderr));
}

impl Authority {
    /// One that answers as it should. `key`: `rsa:2048`, or the name of a curve.
    pub fn new(key: &str) -> Self {
        let folder = TempDir::new().unwrap();
        let dir = folder.path();
        let curve = format!("ec_paramgen_curve:{key}");
        let fresh: &[&str] =
            if key.starts_with("rsa") { &["-newkey", key] } else { &["-newkey", "ec", "-pkeyopt", &curve] };
        let words = ["req", "-x509", "-nodes", "-keyout", "ca.key", "-out", "ca.pem", "-days", "7300"];
        let root = ["-subj", "/CN=Root of time", "-addext", "keyUsage=critical,keyCertSign"];
        run(dir, Some(SINCE), &[&words[..], fresh, &root].concat());
        let words =
            ["req", "-nodes", "-keyout", "tsa.key", "-out", "tsa.csr", "-subj", "/O=Quality/CN=Clock of quality"];
        run(dir, None, &[&words[..], fresh].concat());
        for (name, purpose, days) in [
            ("tsa", "critical,timeStamping", "7300"),
            ("plain", "timeStamping", "7300"),
            ("server", "critical,serverAuth", "7300"),
            ("both", "critical,timeStamping,serverAuth", "7300"),
            ("ended", "critical,timeStamping", "30"),
        ] {
            let usage = "basicConstraints=critical,CA:FALSE\nkeyUsage=critical,digitalSignature\nextendedKeyUsage=";
            std::fs::write(dir.join("ext.cnf"), format!("{usage}{purpose}\n")).unwrap();
            let words = ["x509", "-req", "-in", "tsa.csr", "-CA", "ca.pem", "-CAkey", "ca.key", "-CAcreateserial"];
            let out = format!("{name}.pem");
            run(dir, Some(SINCE), &[&words[..], &["-days", days, "-extfile", "ext.cnf", "-out", &out]].concat());
        }
        for (name, digests) in [("tsa.cnf", "sha256"), ("refuses.cnf", "sha512")] {
            let text = format!(
                "[tsa]\ndefault_tsa = one\n[one]\nserial = serial\nsigner_cert = tsa.pem\nsigner_key = tsa.key\n\
                 signer_digest = sha256\ndefault_policy = 1.3.6.1.4.1.32473.1\ndigests = {digests}\naccuracy = secs:1\n\
                 tsa_name = yes\ness_cert_id_alg = sha256\n"
            );
            std::fs::write(dir.join(name), text).unwrap();
        }
        std::fs::write(dir.join("serial"), "01\n").unwrap();
        let listener = TcpListener::bind("127.0.0.1:0").unwrap();
        let address = listener.local_addr().unwrap();
        let (asked, manner) = (Arc::new(AtomicUsize::new(0)), Arc::new(Mutex::new(Manner::Good)));
        let (count, how, home) = (Arc::clone(&asked), Arc::clone(&manner), dir.to_owned());
        // Ends with the process: a test that is over asks nothing more.
        std::thread::spawn(move || {
            for stream in listener.incoming().flatten() {
                count.fetch_add(1, Ordering::SeqCst);
                let how = how.lock().unwrap().clone();
                // A client that hung up is no failure of the authority.
                let _ = serve(stream, &how, &home);
            }
        });
        Self { address, asked, folder, manner }
    }

    /// Where it is asked.
    pub fn url(&self) -> String {
        format!("http://{}/tsa", self.address)
    }

    /// How often it was asked.
    pub fn asked(&self) -> usize {
        self.asked.load(Ordering::SeqCst)
    }

    /// The certificate that its own leads to.
    pub fn ca(&self) -> PathBuf {
        self.folder.path().join("ca.pem")
    }

    /// From now on it answers so.
    pub fn behave(&self, manner: Manner) {
        *self.manner.lock().unwrap() = manner;
    }

    /// A token over a file, by the authority's clock standing there.
    pub fn token(&self, file: &Path, clock: Option<&str>) -> Vec<u8> {
        let dir = self.folder.path();
        let file = file.to_str().unwrap();
        run(dir, None, &["ts", "-query", "-data", file, "-sha256", "-cert", "-out", "own.tsq"]);
        let words = ["ts", "-reply", "-config", "tsa.cnf", "-queryfile", "own.tsq", "-token_out", "-out", "own.tst"];
        run(dir, clock, &words);
        std::fs::read(dir.join("own.tst")).unwrap()
    }

    /// What `openssl ts -verify` says of a token over a file. True: it is good.
    pub fn says_good(&self, token: &Path, over: &Path) -> bool {
        let done = Command::new("openssl")
            .args(["ts", "-verify", "-token_in", "-in"])
            .arg(token)
            .arg("-data")
            .arg(over)
            .arg("-CAfile")
            .arg(self.ca())
            .output()
            .unwrap();
        done.status.success() && String::from_utf8_lossy(&done.stdout).contains("Verification: OK")
            || String::from_utf8_lossy(&done.stderr).contains("Verification: OK")
    }
}

fn serve(mut stream: TcpStream, how: &Manner, home: &Path) -> std::io::Result<()> {
    if *how == Manner::Away {
        return Ok(());
    }
    let (mut head, mut byte) = (Vec::new(), [0]);
    while !head.ends_with(b"\r\n\r\n") {
        stream.read_exact(&mut byte)?;
        head.push(byte[0]);
    }
    let head = String::from_utf8_lossy(&head).to_lowercase();
    assert!(head.starts_with("post /tsa ") && head.contains("content-type: application/timestamp-query"), "{head}");
    let length = head.lines().find_map(|line| line.strip_prefix("content-length: ")).unwrap().parse().unwrap();
    let mut request = vec![0; length];
    stream.read_exact(&mut request)?;
    let status = if *how == Manner::Breaks { "500 Broken" } else { "200 OK" };
    let head = |length: usize| {
        format!("HTTP/1.1 {status}\r\nContent-Type: application/timestamp-reply\r\nContent-Length: {length}\r\n\r\n")
    };
    match how {
        Manner::Endless => {
            stream.write_all(head(50_000_000).as_bytes())?;
            for _ in 0..50 {
                stream.write_all(&vec![0x30; 1_000_000])?;
            }
            Ok(())
        }
        Manner::Stalls => {
            stream.write_all(head(1_000).as_bytes())?;
            std::thread::sleep(Duration::from_secs(15));
            Ok(())
        }
        _ => {
            let answer = answer(&request, how, home);
            stream.write_all(head(answer.len()).as_bytes())?;
            stream.write_all(&answer)
        }
    }
}

/// What `openssl` answers, turned as it is wanted.
fn answer(request: &[u8], how: &Manner, home: &Path) -> Vec<u8> {
    std::fs::write(home.join("asked.tsq"), request).unwrap();
    // The imprint: 32 bytes behind the head of their OCTET STRING.
    let at = request.windows(2).position(|two| two == [0x04, 0x20]).unwrap() + 2;
    let hash: String = match how {
        Manner::OtherImprint => "ab".repeat(32),
        _ => request[at..at + 32].iter().map(|byte| format!("{byte:02x}")).collect(),
    };
    if matches!(how, Manner::OtherNonce | Manner::OtherImprint) {
        run(home, None, &["ts", "-query", "-digest", &hash, "-sha256", "-cert", "-out", "asked.tsq"]);
    }
    let config = if *how == Manner::Refuses { "refuses.cnf" } else { "tsa.cnf" };
    let clock = if let Manner::Clock(at) = how { Some(*at) } else { None };
    run(home, clock, &["ts", "-reply", "-config", config, "-queryfile", "asked.tsq", "-out", "answer.tsr"]);
    if let Manner::SignedBy(certificate) = how {
        // `openssl ts` itself refuses such a certificate: the same content is signed by `openssl cms`.
        let words = ["ts", "-reply", "-in", "answer.tsr", "-token_out", "-out", "token.tst"];
        run(home, None, &words);
        let words = ["cms", "-verify", "-noverify", "-inform", "DER", "-in", "token.tst", "-out", "content.der"];
        run(home, None, &words);
        let signer = format!("{certificate}.pem");
        let words =
            ["cms", "-sign", "-binary", "-nodetach", "-cades", "-nosmimecap", "-md", "sha256", "-outform", "DER"];
        let files = ["-in", "content.der", "-econtent_type", "1.2.840.113549.1.9.16.1.4", "-out", "token.tst"];
        run(home, None, &[&words[..], &files, &["-signer", &signer, "-inkey", "tsa.key"]].concat());
        let token = std::fs::read(home.join("token.tst")).unwrap();
        let inside = [&[0x30, 0x03, 0x02, 0x01, 0x00], token.as_slice()].concat();
        let length = u16::try_from(inside.len()).unwrap().to_be_bytes();
        return [&[0x30, 0x82], &length[..], &inside].concat();
    }
    let mut answer = std::fs::read(home.join("answer.tsr")).unwrap();
    if *how == Manner::Spoiled {
        // The signature ends the answer.
        let last = answer.len() - 5;
        answer[last] ^= 1;
    }
    answer
}
