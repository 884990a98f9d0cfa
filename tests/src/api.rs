//! A client of the JSON API, as one signed-in person at one device.

use std::io::{Read as _, Write as _};
use std::net::TcpStream;
use std::sync::{Arc, Mutex};
use std::time::Duration;

use serde_json::{Value, json};

/// An answer: status and body.
#[derive(Debug, Clone)]
pub struct Answer {
    /// The body as JSON; a string where it is none.
    pub body: Value,
    /// What the body is said to be.
    pub content_type: String,
    /// The receipt that came with it; empty where none did.
    pub receipt: String,
    /// The HTTP status; 0 where the connection broke.
    pub status: u16,
}

impl Answer {
    /// The body, where the status is 200.
    #[track_caller]
    pub fn good(self) -> Value {
        assert_eq!(self.status, 200, "{}", self.body);
        self.body
    }

    /// The code of the problem, where the status is as said and everything is in it that a problem has.
    #[track_caller]
    pub fn refused(self, status: u16) -> String {
        assert_eq!(self.status, status, "{}", self.body);
        assert_eq!(self.content_type, "application/problem+json", "{}", self.body);
        let problem = &self.body;
        for field in ["title", "detail", "remedy"] {
            let text = problem[field].as_str().unwrap_or_default();
            assert!(!text.trim().is_empty(), "a problem has a {field}: {problem}");
        }
        let code = problem["code"].as_str().expect("a problem has a code");
        assert_eq!(problem["type"], format!("urn:tallyseal:problem:{code}"));
        assert_eq!(problem["status"], status);
        code.to_owned()
    }

    /// The problem, where status and code are as said.
    #[track_caller]
    pub fn problem(self, status: u16, code: &str) -> Value {
        let body = self.body.clone();
        assert_eq!(self.refused(status), code, "{body}");
        body
    }

    /// Stream of the first entry of a receipt, without its thing.
    #[track_caller]
    pub fn made(self) -> String {
        let receipt = self.good();
        let stream = receipt["entries"][0]["stream"].as_str().expect("a receipt names its entries");
        stream.split_once('/').unwrap().1.to_owned()
    }
}

/// The kinds of a receipt's entries, in their order.
pub fn kinds(receipt: &Value) -> Vec<&str> {
    receipt["entries"].as_array().unwrap().iter().map(|entry| entry["kind"].as_str().unwrap()).collect()
}

/// A fresh act.
pub fn act() -> String {
    uuid::Uuid::new_v4().to_string()
}

/// Requests with their answers: method, path, request, status, answer.
pub type Heard = Arc<Mutex<Vec<Value>>>;

/// A client at one device.
#[derive(Clone)]
pub struct Client {
    agent: ureq::Agent,
    /// Where everything is kept that is said and heard, where it is.
    heard: Option<Heard>,
    /// Given with each signature.
    pub password: String,
    /// The role acted in.
    pub role: String,
    /// The receipt that is shown with each call; empty: none is.
    shows: String,
    token: Option<String>,
    url: String,
}

impl Client {
    /// A client that is not signed in.
    pub fn stranger(url: &str) -> Self {
        let agent = ureq::Agent::config_builder()
            .http_status_as_error(false)
            .timeout_global(Some(Duration::from_secs(60)))
            .build()
            .new_agent();
        Self {
            agent,
            heard: None,
            password: String::new(),
            role: "label_room".to_owned(),
            shows: String::new(),
            token: None,
            url: url.to_owned(),
        }
    }

    /// Signs in; gives the client and the answer.
    pub fn sign_in(url: &str, account: &str, password: &str, role: &str) -> Result<Self, Answer> {
        let mut client = Self::stranger(url);
        let given = json!({ "account": account, "password": password, "device": "D-TEST" });
        let answer = client.send("POST", "/api/session", Some(&given));
        if answer.status != 200 {
            return Err(answer);
        }
        client.token = answer.body["token"].as_str().map(str::to_owned);
        client.password = password.to_owned();
        client.role = role.to_owned();
        Ok(client)
    }

    /// The token of its session; empty where it is not signed in.
    pub fn token(&self) -> &str {
        self.token.as_deref().unwrap_or_default()
    }

    /// The same client with another token.
    #[must_use]
    pub fn with_token(&self, token: &str) -> Self {
        Self { token: Some(token.to_owned()), ..self.clone() }
    }

    /// The same person, acting in another role.
    #[must_use]
    pub fn in_role(&self, role: &str) -> Self {
        Self { role: role.to_owned(), ..self.clone() }
    }

    /// The same client, which shows that receipt.
    #[must_use]
    pub fn showing(&self, receipt: &str) -> Self {
        Self { shows: receipt.to_owned(), ..self.clone() }
    }

    /// The same session, with the server at another address.
    #[must_use]
    pub fn at(&self, url: &str) -> Self {
        Self { url: url.to_owned(), ..Self::stranger(url) }.taking(self)
    }

    /// The same client; what it sends and hears is kept there as well.
    #[must_use]
    pub fn kept_in(&self, heard: &Heard) -> Self {
        Self { heard: Some(Arc::clone(heard)), ..self.clone() }
    }

    fn taking(self, other: &Self) -> Self {
        Self {
            heard: other.heard.clone(),
            password: other.password.clone(),
            role: other.role.clone(),
            token: other.token.clone(),
            ..self
        }
    }

    /// Any request.
    pub fn send(&self, method: &str, path: &str, body: Option<&Value>) -> Answer {
        let answer = match body {
            Some(body) => self.send_text(method, path, &body.to_string()),
            None => self.answer(self.agent.run(self.request(method, path).body(()).unwrap())),
        };
        if let Some(heard) = &self.heard {
            let is_json = answer.content_type.contains("json") && !answer.content_type.contains("jsonl");
            heard.lock().unwrap().push(json!({
                "method": method, "path": path, "request": body, "status": answer.status,
                "answer": is_json.then_some(&answer.body),
            }));
        }
        answer
    }

    /// Any request, with a body that need not be JSON.
    pub fn send_text(&self, method: &str, path: &str, text: &str) -> Answer {
        let request = self.request(method, path).header("Content-Type", "application/json");
        self.answer(self.agent.run(request.body(text.to_owned()).unwrap()))
    }

    fn request(&self, method: &str, path: &str) -> ureq::http::request::Builder {
        let mut request = ureq::http::Request::builder().method(method).uri(format!("{}{path}", self.url));
        if !self.shows.is_empty() {
            request = request.header("Tallyseal-Receipt", &self.shows);
        }
        match &self.token {
            Some(token) => request.header("Authorization", format!("Bearer {token}")),
            None => request,
        }
    }

    fn answer(&self, sent: Result<ureq::http::Response<ureq::Body>, ureq::Error>) -> Answer {
        match sent {
            Ok(mut response) => {
                let status = response.status().as_u16();
                // Whatever it is, nobody on the way keeps it.
                let kept = response.headers().get("cache-control").and_then(|value| value.to_str().ok());
                assert_eq!(kept, Some("no-store"));
                let content_type = response.headers().get("content-type").and_then(|value| value.to_str().ok());
                let content_type = content_type.unwrap_or_default().to_owned();
                let receipt = response.headers().get("tallyseal-receipt").and_then(|value| value.to_str().ok());
                let receipt = receipt.unwrap_or_default().to_owned();
                let bytes = response.body_mut().with_config().limit(1 << 30).read_to_vec().unwrap_or_default();
                let body = serde_json::from_slice(&bytes)
                    .unwrap_or_else(|_| Value::String(String::from_utf8_lossy(&bytes).into_owned()));
                Answer { body, content_type, receipt, status }
            }
            // The connection broke: the server was ended. Status 0 is no HTTP status.
            Err(error) => Answer {
                body: Value::String(error.to_string()),
                content_type: String::new(),
                receipt: String::new(),
                status: 0,
            },
        }
    }

    /// Reads something.
    pub fn get(&self, path: &str) -> Answer {
        self.send("GET", path, None)
    }

    /// Reads bytes that are no text, such as a sealed record.
    pub fn post_for_bytes(&self, path: &str, body: &Value) -> Result<Vec<u8>, Answer> {
        let request = self.request("POST", path).header("Content-Type", "application/json");
        match self.agent.run(request.body(body.to_string()).unwrap()) {
            Ok(mut response) if response.status().as_u16() == 200 => {
                Ok(response.body_mut().with_config().limit(1 << 30).read_to_vec().unwrap())
            }
            other => Err(self.answer(other)),
        }
    }

    /// Gives a command with all that may stand around it.
    pub fn order(&self, name: &str, command: &Value, act: &str, expected: &Value, password: Option<&str>) -> Answer {
        let mut body = json!({ "act": act, "role": self.role, "command": command, "expected": expected });
        if let Some(password) = password {
            body["password"] = json!(password);
        }
        self.send("POST", &format!("/api/acts/{name}"), Some(&body))
    }

    /// Gives a command.
    pub fn act(&self, name: &str, command: &Value) -> Answer {
        self.order(name, command, &act(), &json!({}), None)
    }

    /// Gives a command that is a signature.
    pub fn sign(&self, name: &str, command: &Value) -> Answer {
        self.order(name, command, &act(), &json!({}), Some(&self.password))
    }

    /// The entries of a stream, for those who may read them.
    #[track_caller]
    pub fn entries(&self, stream: &str) -> Vec<Value> {
        let lines = self.get(&format!("/api/entries?stream={stream}"));
        assert_eq!(lines.status, 200, "{}", lines.body);
        let text = match lines.body {
            Value::String(text) => text,
            // One entry alone is read as JSON.
            entry => entry.to_string(),
        };
        text.lines().map(|line| serde_json::from_str(line).unwrap()).collect()
    }

    /// A thing as it is remembered.
    pub fn thing(&self, stream: &str) -> Answer {
        self.get(&format!("/api/things/{stream}"))
    }

    /// Sets the person's own password.
    pub fn set_password(&mut self, new: &str) -> Answer {
        let given = json!({ "current": self.password, "new": new });
        let answer = self.send("POST", "/api/password", Some(&given));
        if answer.status == 200 {
            self.password = new.to_owned();
        }
        answer
    }

    /// A connection to the server, for requests that no library sends. Reading from it ends after half a minute.
    pub fn connection(&self) -> TcpStream {
        let stream = TcpStream::connect(self.url.trim_start_matches("http://")).unwrap();
        stream.set_read_timeout(Some(Duration::from_secs(30))).unwrap();
        stream
    }

    /// The head of a request of `length` bytes, with this client's session.
    pub fn head(&self, path: &str, length: usize) -> String {
        format!(
            "POST {path} HTTP/1.1\r\nHost: test\r\nContent-Type: application/json\r\nContent-Length: {length}\r\n\
             Authorization: Bearer {}\r\n\r\n",
            self.token()
        )
    }
}

/// What the server says on a connection until it closes it, or until `enough`.
pub fn hear(stream: &mut TcpStream, enough: impl Fn(&str) -> bool) -> String {
    let mut heard = Vec::new();
    let mut buffer = [0; 4_096];
    loop {
        match stream.read(&mut buffer) {
            Ok(0) => break,
            Ok(length) => heard.extend_from_slice(&buffer[..length]),
            Err(error) if error.kind() == std::io::ErrorKind::ConnectionReset => break,
            Err(error) => panic!("the server neither answered nor closed: {error}"),
        }
        if enough(&String::from_utf8_lossy(&heard)) {
            break;
        }
    }
    String::from_utf8_lossy(&heard).into_owned()
}

/// Sends bytes as far as the server takes them: it may close in the middle.
pub fn push(stream: &mut TcpStream, bytes: &[u8]) {
    // An error says that the server has closed its end; what it answered is still to be read.
    let _ = stream.write_all(bytes);
}
