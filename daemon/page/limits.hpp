// How much the status page takes, keeps and waits for; each limit with its reason.
#pragma once

#include <cstddef>

#include "measure/signal/time.hpp"

namespace nightwatt::daemon::page {

// A browser that watches holds two connections: the live stream and one for all else.
inline constexpr std::size_t stream_limit = 64;       ///< a room full of people; each costs a write a second
inline constexpr std::size_t connection_limit = 160;  ///< both of every watcher and some over; 16 kB each
inline constexpr int listen_backlog = 64;

/// A browser's header has about 1 kB, with a long cookie 2 kB. (Of a body nothing is taken at all.)
inline constexpr std::size_t header_limit = 8 * 1024;
inline constexpr std::size_t target_limit = 1024;  ///< path and query; ours are below 100 bytes

inline constexpr Duration request_time{5'000'000};  ///< from a request's first byte (or the connection) to its end
inline constexpr Duration idle_time{20'000'000};    ///< between two requests of a connection
inline constexpr Duration answer_time{15'000'000};  ///< for the store to be read
/// A client that takes nothing for so long while something waits for it is dropped. The promise is 10 s; a client may
/// take the first few seconds' bytes into its system's buffers, see `filler_bytes`.
inline constexpr Duration stall_time{4'000'000};
/// After a refusal, what still comes is read and thrown away for so long, so that the refusal is read at all.
inline constexpr Duration parting_time{2'000'000};
inline constexpr std::size_t parting_bytes = 256 * 1024;
inline constexpr Duration sweep_every{500'000};  ///< how often the times above are looked at

/// Bytes that wait for one watcher: its first message (ten minutes of a few meters) and some seconds.
inline constexpr std::size_t backlog_limit = 1024 * 1024;
/// Handed to the system for one watcher (it takes the least it can), so that what is not read shows here and not only
/// in its buffers.
inline constexpr int stream_send_buffer = 4 * 1024;
/// The page says every few seconds what it has seen; once it has said so, it is dropped when it stops.
inline constexpr Duration seen_time{8'000'000};
/// A watcher that does not say so, and has taken all it was sent, gets so many bytes of comment a second: its system
/// takes 180 kB for a program that does not read (measured, Linux 6, loopback), and only when that is full does it show
/// here.
inline constexpr std::size_t filler_bytes = 64 * 1024;
inline constexpr std::size_t taken_unread_bytes = 180 * 1024;

inline constexpr Duration live_period{1'000'000};        ///< the curve's bin, and how often watchers are told
inline constexpr Duration unwatched_period{10'000'000};  ///< how often the loop is asked while nobody watches
inline constexpr std::size_t curve_bins = 600;           ///< ten minutes, as much as a curve of this width shows
inline constexpr Duration figures_period{3'000'000};     ///< how often the open runs' levels are read from the store
inline constexpr Duration state_age{200'000};            ///< a state this fresh is not asked for again

inline constexpr std::size_t job_limit = 16;     ///< questions to the store that wait; one more is refused
inline constexpr std::size_t listed_runs = 500;  ///< newest first: a year of nights
inline constexpr std::size_t listed_marks = 8;   ///< of an open run, the newest
inline constexpr Duration runs_age{2'000'000};   ///< a list this fresh is given again

/// Retries of an address that cannot be had begin at, and grow to, this pause.
inline constexpr Duration first_listen_pause{1'000'000};
inline constexpr Duration longest_listen_pause{60'000'000};
inline constexpr Duration accept_pause{250'000};  ///< after a failed accept (out of descriptors)

// Wrong tokens. Sixteen characters cannot be guessed at this rate; a typist is not kept out for long. There is no limit
// of all addresses together: it would let one guesser lock everybody out. Whoever has more addresses than are
// remembered guesses unhindered, but 64 bits at ten thousand a second take 30 million years.
inline constexpr std::size_t tries = 5;  ///< wrong ones in `tries_time`, then no more
inline constexpr Duration tries_time{60'000'000};
inline constexpr std::size_t remembered_peers = 256;  ///< the longest quiet gives way

}  // namespace nightwatt::daemon::page
