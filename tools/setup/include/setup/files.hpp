// A profile and a config as text, and their way onto the disk: checked by the service's own parser first, in one step,
// over nothing that is there, and readable by whoever may read the config they belong to.
#pragma once

#include <optional>
#include <string>

#include "config/config.hpp"
#include "measure/signal/meter_profile.hpp"
#include "measure/signal/result.hpp"

namespace nightwatt::setup {

/// A TOML text that reads back as the same profile. `head` becomes its comment.
[[nodiscard]] std::string profile_text(const MeterProfile& profile, const std::string& head);

/// The key of a [[read]], without a line end.
[[nodiscard]] std::string correction_line(const Correction& correction);

/// What the config is to say.
struct NewMeter {
  std::string name;
  std::string port;
  MeterProfile profile;
  std::string profile_head;
};
/// What is done with a config that is there.
enum class OldConfig : std::uint8_t { refuse, add, replace };

struct Written {
  std::string config;  ///< the main file
  std::string profile;
  std::string added;  ///< the file in conf.d that adds the meter to a config that was there; empty: a new config
};
/// `folder` is made where it is missing. A config that is there is never edited: the meter goes into a file of its own
/// in `conf.d`. A file that is replaced keeps owner and mode, a new one takes them from the config or, where there is
/// none, leaves them to the umask. ErrorKind::negative: a file is in the way; input: the config that is there, or what
/// would come of it, is not good; unusable: the disk.
[[nodiscard]] Result<Written> write_files(const std::string& folder, const NewMeter& meter, OldConfig old);

/// Bytes of a meter's name; a word or two.
inline constexpr std::size_t longest_name = 64;
/// Whether write_files() would refuse the name: a meter of the folder's config has it, or one whose files are called
/// alike.
[[nodiscard]] bool is_taken(const std::string& folder, const std::string& name);
/// `bench`, or the first of `bench-2`, `bench-3`, ... that is not taken.
[[nodiscard]] std::string free_name(const std::string& folder);

/// A name as a file's: small letters, digits and `-`.
[[nodiscard]] std::string file_name(const std::string& meter);

}  // namespace nightwatt::setup
