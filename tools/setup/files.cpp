#include "setup/files.hpp"

#include <fcntl.h>
#include <unistd.h>

#include <cerrno>
#include <filesystem>
#include <fstream>
#include <iterator>
#include <system_error>

#include "text/printable.hpp"
#include "text/write_all.hpp"
#include "toml_text.hpp"

namespace nightwatt::setup {
namespace {

namespace fs = std::filesystem;

tl::unexpected<Error> disk(const std::string& file, int number) {
  return fail(ErrorKind::unusable,
              text::printable(file) + " cannot be written: " + std::generic_category().message(number));
}

/// A file beside its place, gone again unless it was put there.
class Draft {
 public:
  explicit Draft(std::string place) : place_(std::move(place)), file_(place_ + ".setup-new") {}
  ~Draft() {
    if (!file_.empty()) ::unlink(file_.c_str());
  }
  Draft(const Draft&) = delete;
  Draft& operator=(const Draft&) = delete;

  [[nodiscard]] const std::string& file() const { return file_; }

  [[nodiscard]] Result<void> write(const std::string& text) const {
    constexpr mode_t readable = 0644;
    const int descriptor = ::open(file_.c_str(), O_WRONLY | O_CREAT | O_TRUNC | O_CLOEXEC | O_NOFOLLOW, readable);
    if (descriptor < 0) return disk(file_, errno);
    int problem = text::write_all(descriptor, text);
    if (problem == 0 && ::fsync(descriptor) != 0) problem = errno;
    ::close(descriptor);
    return problem == 0 ? Result<void>{} : disk(file_, problem);
  }

  /// link() refuses where something is; rename() replaces.
  [[nodiscard]] Result<void> put(bool replace) {
    const int done = replace ? ::rename(file_.c_str(), place_.c_str()) : ::link(file_.c_str(), place_.c_str());
    if (done != 0 && errno == EEXIST) return in_the_way(place_);
    if (done != 0) return disk(place_, errno);
    if (replace) file_.clear();
    return {};
  }

  static tl::unexpected<Error> in_the_way(const std::string& place) {
    return fail(ErrorKind::negative, text::printable(place) +
                                         " is there already: give --overwrite to replace it, another --name, or "
                                         "another --out");
  }

 private:
  std::string place_;
  std::string file_;
};

std::string meter_section(const NewMeter& meter, const std::string& profile) {
  return "\n[[meter]]\nname = " + toml_quoted(meter.name) + "\nport = " + toml_quoted(meter.port) +
         "\nprofile = " + toml_quoted(profile) +
         "\nauto_runs = true    # a run opens by itself when the device comes on\n";
}

/// The folder of the system's config goes with the system's places; any other keeps all in one place.
std::string new_config(const std::string& folder, const std::string& section) {
  std::string text =
      "# Made by nightwatt setup. `nightwattd --check --config FILE` says what is wrong after a change; what else can "
      "be\n"
      "# set stands in the example config.\n";
  if (fs::path(folder).lexically_normal() != "/etc/nightwatt")
    text += "\n[store]\npath = \"nightwatt.db\"\n\n[control]\nsocket = \"control.sock\"\n";
  return text + section;
}

Result<std::string> read_whole(const std::string& file) {
  std::ifstream in(file, std::ios::binary);
  if (!in) return fail(ErrorKind::unusable, text::printable(file) + " cannot be read");
  return std::string(std::istreambuf_iterator<char>(in), {});
}

Result<void> make_folder(const std::string& folder) {
  std::error_code problem;
  fs::create_directories(folder, problem);
  if (problem) return fail(ErrorKind::unusable, text::printable(folder) + " cannot be made: " + problem.message());
  return {};
}

/// Written, and read back as what was meant.
Result<void> draft_profile(const Draft& draft, const NewMeter& meter) {
  if (auto written = draft.write(profile_text(meter.profile, meter.profile_head)); !written) return written;
  auto read = config::load_profile(fs::absolute(draft.file()).string(), "");
  if (!read) return tl::unexpected(read.error());
  read->name = meter.profile.name;
  if (!(*read == meter.profile))
    return fail(ErrorKind::input, "the profile would not read back as it was meant: give plainer numbers");
  return {};
}

}  // namespace

std::string file_name(const std::string& meter) {
  std::string result;
  for (const char c : meter) {
    const bool upper = c >= 'A' && c <= 'Z';
    const bool plain = (c >= 'a' && c <= 'z') || (c >= '0' && c <= '9');
    if (upper || plain)
      result += upper ? static_cast<char>(c - 'A' + 'a') : c;
    else if (!result.empty() && result.back() != '-')
      result += '-';
  }
  while (!result.empty() && result.back() == '-') result.pop_back();
  return result.empty() ? "meter" : result;
}

Result<Written> write_files(const std::string& folder, const NewMeter& meter, OldConfig old) {
  const std::string config = (fs::path(folder) / "nightwatt.toml").string();
  const std::string relative = "profiles/" + file_name(meter.name) + ".toml";
  const std::string profile = (fs::path(folder) / relative).string();
  const bool there = fs::exists(config);
  if (there && old == OldConfig::refuse)
    return fail(ErrorKind::negative, text::printable(config) +
                                         " is there already: give --add to add the meter to it, --overwrite to replace "
                                         "it, or another --out");
  const bool added = there && old == OldConfig::add;
  std::string text = new_config(folder, meter_section(meter, relative));
  if (added) {
    // What is wrong already is not ours to hide behind.
    if (auto good = config::load_config(config); !good) return tl::unexpected(good.error());
    const auto before = read_whole(config);
    if (!before) return tl::unexpected(before.error());
    text = *before + (before->empty() || before->back() == '\n' ? "" : "\n") + meter_section(meter, relative);
  }
  if (auto made = make_folder((fs::path(folder) / "profiles").string()); !made) return tl::unexpected(made.error());
  const bool replace = old == OldConfig::replace;
  if (!replace && fs::exists(profile)) return Draft::in_the_way(profile);

  Draft profile_draft(profile), config_draft(config);
  if (auto good = draft_profile(profile_draft, meter); !good) return tl::unexpected(good.error());
  // The config is judged with the profile under the name it will have.
  if (auto put = profile_draft.put(replace); !put) return tl::unexpected(put.error());
  Result<void> done = config_draft.write(text);
  if (done)
    if (auto good = config::load_config(config_draft.file()); !good) done = tl::unexpected(good.error());
  if (done) done = config_draft.put(there);
  if (!done) {
    if (!replace) ::unlink(profile.c_str());
    return tl::unexpected(done.error());
  }
  return Written{config, profile, added};
}

}  // namespace nightwatt::setup
