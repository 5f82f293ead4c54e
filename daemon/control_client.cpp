#include "daemon/control.hpp"
