// What an editor sends to the office as JSON, to be judged or saved.

/** `signal` ends it before it is answered. Rejects where the office does not answer, or leads elsewhere. */
export async function send(address, token, value, signal) {
  return fetch(address, {
    method: "POST", redirect: "error", signal,
    headers: { "Content-Type": "application/json", "X-CSRFToken": token },
    body: JSON.stringify(value),
  });
}
