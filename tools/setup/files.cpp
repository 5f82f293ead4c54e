#include "setup/files.hpp"

#include <fcntl.h>
#include <sys/stat.h>
#include <unistd.h>

#include <algorithm>
#include <cerrno>
#include <filesystem>
#include <optional>
#include <system_error>

#include "drivers/protocols.hpp"
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

/// Whose a file is and who may do what with it.
struct Rights {
  uid_t owner;
  gid_t group;
  mode_t mode;
};

std::optional<Rights> rights_of(const std::string& path) {
  struct stat info {};
  if (::stat(path.c_str(), &info) != 0) return std::nullopt;
  constexpr mode_t permissions = 07777;
  return Rights{info.st_uid, info.st_gid, info.st_mode & permissions};
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

  /// With the rights of `like`, whatever the umask, where that is there; a file that is replaced is like itself.
  [[nodiscard]] Result<void> write(const std::string& text, const std::string& like) const {
    const auto own = rights_of(place_);
    const auto rights = own ? own : rights_of(like);
    constexpr mode_t readable = 0644, secret = 0600;
    // Secret until it is whose it will be: a draft that is opened before stays open to whoever opened it.
    ::unlink(file_.c_str());
    const int descriptor =
        ::open(file_.c_str(), O_WRONLY | O_CREAT | O_EXCL | O_CLOEXEC | O_NOFOLLOW, rights ? secret : readable);
    if (descriptor < 0) return disk(file_, errno);
    Result<void> done = rights ? take_rights(descriptor, *rights, own.has_value()) : Result<void>{};
    int problem = done ? text::write_all(descriptor, text) : 0;
    if (problem == 0 && ::fsync(descriptor) != 0) problem = errno;
    ::close(descriptor);
    if (problem != 0) return disk(file_, problem);
    return done;
  }

  /// link() refuses where something is; rename() replaces.
  [[nodiscard]] Result<void> put(bool replace) {
    const int done = replace ? ::rename(file_.c_str(), place_.c_str()) : ::link(file_.c_str(), place_.c_str());
    if (done != 0 && errno == EEXIST) return in_the_way(place_);
    if (done != 0) return disk(place_, errno);
    if (replace) file_.clear();
    return {};
  }

  /// Of a new file the owner is whoever makes it where the other one cannot be had; that its group can read it counts.
  [[nodiscard]] Result<void> take_rights(int descriptor, const Rights& rights, bool all) const {
    const bool owned = ::fchown(descriptor, rights.owner, rights.group) == 0;
    if (!owned && all)
      return fail(ErrorKind::unusable, "the owner of " + text::printable(place_) + " cannot be kept (" +
                                           std::generic_category().message(errno) + "): run this as its owner or root");
    if (!owned && ::fchown(descriptor, static_cast<uid_t>(-1), rights.group) != 0) {
      // Then whoever runs this is in no way of the config's group, and neither is the service.
    }
    return ::fchmod(descriptor, rights.mode) == 0 ? Result<void>{} : Result<void>(disk(file_, errno));
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

/// A folder within the config's has the config folder's rights, whatever the umask: the service has to look in.
Result<void> make_folder(const std::string& folder, const std::string& within) {
  const bool was_there = fs::exists(folder);
  const auto rights = rights_of(within);
  std::error_code problem;
  fs::create_directories(folder, problem);
  if (problem) return fail(ErrorKind::unusable, text::printable(folder) + " cannot be made: " + problem.message());
  if (was_there || !rights) return {};
  if (::chown(folder.c_str(), rights->owner, rights->group) != 0 &&
      ::chown(folder.c_str(), static_cast<uid_t>(-1), rights->group) != 0) {
    // As with a file: whoever cannot give it away keeps it.
  }
  return ::chmod(folder.c_str(), rights->mode) == 0 ? Result<void>{} : Result<void>(disk(folder, errno));
}

/// Written, and read back as what was meant.
Result<void> draft_profile(const Draft& draft, const NewMeter& meter, const std::string& config) {
  const std::string text = profile_text(meter.profile, meter.profile_head);
  if (auto written = draft.write(text, config); !written) return written;
  auto read = config::load_profile(fs::absolute(draft.file()).string(), "", drivers::protocol_readers());
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

namespace {

/// Where things lie, and what becomes of what is there.
struct Plan {
  std::string folder, config, profile, added;
  bool replace = false;
  [[nodiscard]] const std::string& written() const { return added.empty() ? config : added; }
};

Result<Plan> plan_for(const std::string& folder, const std::string& name, OldConfig old) {
  const fs::path root(folder);
  Plan plan{
      folder, (root / "nightwatt.toml").string(), (root / "profiles" / name).string(), {}, old == OldConfig::replace};
  const bool there = fs::exists(plan.config);
  if (there && old == OldConfig::refuse)
    return fail(ErrorKind::negative, text::printable(plan.config) +
                                         " is there already: give --add to add the meter to it, --overwrite to replace "
                                         "it, or another --out");
  const std::string beside = (root / "conf.d" / name).string();
  if (there && (old == OldConfig::add || fs::exists(beside))) plan.added = beside;
  if (there && old == OldConfig::add) {
    // What is wrong already is not ours to hide behind.
    if (auto good = config::load_config(plan.config, drivers::protocol_readers()); !good)
      return tl::unexpected(good.error());
    if (fs::exists(plan.added)) return Draft::in_the_way(plan.added);
  }
  if (!plan.replace && fs::exists(plan.profile)) return Draft::in_the_way(plan.profile);
  return plan;
}

Result<void> put_config(const Plan& plan, const NewMeter& meter, const std::string& name) {
  Draft draft(plan.written());
  const bool adds = !plan.added.empty();
  const std::string section = meter_section(meter, (adds ? "../profiles/" : "profiles/") + name);
  const std::string text = adds ? "# Made by nightwatt setup; read together with ../nightwatt.toml.\n" + section
                                : new_config(plan.folder, section);
  if (auto written = draft.write(text, plan.config); !written) return written;
  const auto good = adds ? config::load_config(plan.config, drivers::protocol_readers(), draft.file())
                         : config::load_config(draft.file(), drivers::protocol_readers());
  if (!good) return tl::unexpected(good.error());
  return draft.put(plan.replace);
}

}  // namespace

bool is_taken(const std::string& folder, const std::string& name) {
  const fs::path root(folder);
  const std::string file = file_name(name) + ".toml";
  if (fs::exists(root / "profiles" / file) || fs::exists(root / "conf.d" / file)) return true;
  const auto config = config::load_config((root / "nightwatt.toml").string(), drivers::protocol_readers());
  return config && std::any_of(config->meters.begin(), config->meters.end(),
                               [&](const config::MeterConfig& meter) { return meter.name == name; });
}

std::string free_name(const std::string& folder) {
  std::string name = "bench";
  for (int i = 2; is_taken(folder, name); ++i) name = "bench-" + std::to_string(i);
  return name;
}

Result<Written> write_files(const std::string& folder, const NewMeter& meter, OldConfig old) {
  const std::string name = file_name(meter.name) + ".toml";
  const auto plan = plan_for(folder, name, old);
  if (!plan) return tl::unexpected(plan.error());
  for (const std::string& file : {plan->profile, plan->written()})
    if (auto made = make_folder(fs::path(file).parent_path().string(), folder); !made)
      return tl::unexpected(made.error());

  Draft profile_draft(plan->profile);
  if (auto good = draft_profile(profile_draft, meter, plan->config); !good) return tl::unexpected(good.error());
  // The config is judged with the profile under the name it will have.
  if (auto put = profile_draft.put(plan->replace); !put) return tl::unexpected(put.error());
  if (auto done = put_config(*plan, meter, name); !done) {
    if (!plan->replace) ::unlink(plan->profile.c_str());
    return tl::unexpected(done.error());
  }
  return Written{plan->config, plan->profile, plan->added};
}

}  // namespace nightwatt::setup
