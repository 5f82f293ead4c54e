// What the query tool and the service say to each other over the control socket: one JSON line each way, then close.
#pragma once

#include <string>
#include <string_view>

#include "measure/signal/result.hpp"

namespace nightwatt::daemon {

/// Longest request accepted, in bytes, its newline counted. A device name may have 256 bytes, a note 4096.
inline constexpr std::size_t control_request_limit = 16 * 1024;
inline constexpr std::size_t control_answer_limit = 1024 * 1024;

// Requests:  {"do": "status"}
//            {"do": "begin", "device": "...", "meter": "..."?, "note": "..."?, "includes": [..]?, "set": {..}?,
//            "at_us": n?}
//            {"do": "end", "meter": "..."?, "at_us": n?}
//            {"do": "split", "run": n, "at_us": n}           an open run only; closed ones the tool splits itself
//            {"do": "join", "run": n}                      its neighbour is the open run
//            {"do": "mark", "run": n | "meter": "...", "record_us": n, "text": "...", "kind": "..."?}
//            {"do": "unmark", "mark": n}
//            {"do": "capture", "meter": "...", "after": n?}  what came over its port since the answer with "next": n
// Answers:   {"ok": true, ...}      begin: "run"; end: "run"; split: "run" (the new one); join: "run"; mark: "run" (0);
// status: contract's "meters" list
//            {"ok": false, "exit": 1|2|3, "error": "one line"}
//            capture: "next", "missed" (pieces dropped for want of room), "state", "pieces": [[at_us, sent, "hex"], ..]
// at_us is UTC as shown to people; the service takes its clock shift off.

/// Sends one request and waits for the answer, at most `timeout_s`. ErrorKind::unusable: no service, or no answer.
[[nodiscard]] Result<std::string> control_call(const std::string& socket_path, std::string_view request_line,
                                               double timeout_s);

}  // namespace nightwatt::daemon
