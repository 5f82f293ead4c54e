#include "follow.hpp"

#include <algorithm>
#include <array>

#include "console.hpp"
#include "live_frame.hpp"
#include "live_picture.hpp"

namespace nightwatt::query {
namespace {

constexpr double usual_pause_s = 1.0;
constexpr double shortest_pause_s = 0.2;  // nobody reads faster, and a slow machine has better things to do
constexpr double longest_pause_s = 3600.0;
constexpr std::array<double, 6> windows_min = {2.0, 5.0, 10.0, 30.0, 60.0, 180.0};
constexpr std::size_t usual_window = 2;
constexpr int signal_status = 128;  // as a shell says it of a program that a signal ended

/// Gives the terminal back however it ends.
class Visit {
 public:
  explicit Visit(Console& console) : console_(console) { console_.enter(); }
  ~Visit() { console_.leave(); }
  Visit(const Visit&) = delete;
  Visit& operator=(const Visit&) = delete;

 private:
  Console& console_;
};

Result<double> pause_from(const MaybeWord& every) {
  if (!every) return usual_pause_s;
  const auto pause_s = positive_from("--every", *every);
  if (!pause_s) return tl::unexpected(pause_s.error());
  if (*pause_s < shortest_pause_s || *pause_s > longest_pause_s)
    return fail(ErrorKind::input, "--every is " + *every + "; give 0.2 to 3600 seconds");
  return *pause_s;
}

class View {
 public:
  View(Context& context, Console& console, const FollowOptions& options)
      : context_(context),
        console_(console),
        source_(context),
        screen_(context.style.colour),
        with_meters_(!options.run) {
    choice_.run = options.run;
    choice_.minutes = windows_min[window_];
  }

  /// Looks once, and shows it. On a screen; a line that takes nothing is not given more.
  Result<void> draw() {
    if (!console_.idle()) return {};
    const ScreenSize size = console_.size();
    choice_.columns = live_columns(size);
    const auto picture = source_.look(choice_);
    if (!picture) return tl::unexpected(picture.error());
    console_.send(screen_.update(live_frame(*picture, choice_, size, with_meters_), size));
    return {};
  }

  /// Forgets what is on the screen: it is drawn whole the next time.
  void draw_anew() { screen_ = Screen(context_.style.colour); }

  /// Whether there is something new to be seen.
  bool press(char key) {
    if (key == '+' || key == '-') {
      const std::size_t before = window_;
      if (key == '+' && window_ + 1 < windows_min.size()) ++window_;
      if (key == '-' && window_ > 0) --window_;
      choice_.minutes = windows_min[window_];
      return window_ != before;
    }
    if (key != '\t' || !with_meters_) return false;
    ++choice_.turns;
    return true;
  }

  /// A line where something has changed since the last one.
  Result<void> print() {
    const auto picture = source_.look(choice_);
    if (!picture) return tl::unexpected(picture.error());
    const auto last = picture->curve ? picture->curve->last : std::nullopt;
    if (printed_ && last == printed_last_ && picture->trouble == printed_trouble_) return {};
    printed_ = true;
    printed_last_ = last;
    printed_trouble_ = picture->trouble;
    if (context_.json)
      write_live_json(context_.out, *picture);
    else
      context_.out.write(live_line(*picture));
    context_.out.write("\n");
    context_.out.flush();
    return {};
  }

 private:
  Context& context_;
  Console& console_;
  LiveSource source_;
  Screen screen_;
  bool with_meters_;
  std::size_t window_ = usual_window;
  LiveChoice choice_;
  bool printed_ = false;
  std::optional<UtcTime> printed_last_;
  std::string printed_trouble_;
};

Outcome print_lines(Context& context, Console& console, View& view, Duration pause) {
  for (;;) {
    if (auto printed = view.print(); !printed) return tl::unexpected(printed.error());
    if (context.out.failed()) return 0;  // whoever read has seen enough
    if (console.wait(pause).what == Console::What::stop) return 0;
  }
}

Outcome draw_screen(Console& console, View& view, Duration pause) {
  const Visit visit(console);
  bool due = true;
  for (;;) {
    if (due)
      if (auto drawn = view.draw(); !drawn) return tl::unexpected(drawn.error());
    const Console::Event event = console.wait(pause);
    if (event.what == Console::What::stop) {
      const bool asked = event.signal == 0 || event.signal == SIGINT;
      return asked ? 0 : signal_status + event.signal;
    }
    if (event.what == Console::What::key && (event.key == 'q' || event.key == 'Q')) return 0;
    if (event.what == Console::What::resized) view.draw_anew();
    due = event.what != Console::What::key || view.press(event.key);
  }
}

}  // namespace

Outcome follow(Context& context, const FollowOptions& options) {
  const auto pause_s = pause_from(options.every);
  if (!pause_s) return tl::unexpected(pause_s.error());
  if (context.environment.console == nullptr) return fail(ErrorKind::unusable, "--follow needs a process of its own");
  Console& console = *context.environment.console;
  View view(context, console, options);
  const Duration pause = to_duration({*pause_s});
  if (!console.interactive() || context.json) return print_lines(context, console, view, pause);
  return draw_screen(console, view, pause);
}

}  // namespace nightwatt::query
