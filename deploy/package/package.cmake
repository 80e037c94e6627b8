# What is installed, and the Debian package: `cpack` in the build folder. deploy/package/build makes the one to hand
# out, with Debian's hardening and the same bytes from the same sources.
include(GNUInstallDirs)

install(TARGETS probekeeperd RUNTIME DESTINATION ${CMAKE_INSTALL_BINDIR})
install(FILES deploy/man/probekeeperd.8 DESTINATION ${CMAKE_INSTALL_MANDIR}/man8)
install(FILES deploy/man/probekeeper.toml.5 DESTINATION ${CMAKE_INSTALL_MANDIR}/man5)
install(FILES deploy/completion/probekeeperd DESTINATION ${CMAKE_INSTALL_DATADIR}/bash-completion/completions)
set(documents ${CMAKE_INSTALL_DATADIR}/doc/probekeeper)
install(FILES CHANGELOG.md deploy/first-hour.md deploy/operations.md deploy/register-maps.md deploy/rounds.md
    deploy/sizes
    DESTINATION ${documents})
install(DIRECTORY deploy/scada deploy/metrics DESTINATION ${documents})
install(DIRECTORY config/ DESTINATION ${documents}/examples FILES_MATCHING PATTERN "*.toml" PATTERN "*.csv")

# Seconds since 1970 that stand for the time of the build: the newest commit's, unless SOURCE_DATE_EPOCH says so.
set(epoch "$ENV{SOURCE_DATE_EPOCH}")
if(NOT epoch)
    execute_process(COMMAND git -C ${PROJECT_SOURCE_DIR} log -1 --format=%ct
        OUTPUT_VARIABLE epoch OUTPUT_STRIP_TRAILING_WHITESPACE ERROR_QUIET)
endif()
if(NOT epoch)
    file(TIMESTAMP ${PROJECT_SOURCE_DIR}/CHANGELOG.md epoch "%s" UTC)
endif()

set(CPACK_GENERATOR DEB)
set(CPACK_PACKAGE_NAME probekeeper)
set(CPACK_PACKAGE_VERSION ${PROJECT_VERSION})
set(CPACK_PACKAGE_CONTACT "Probekeeper <team@probekeeper.example>")
set(CPACK_PACKAGE_DESCRIPTION_SUMMARY "watches dissolved-oxygen probes and says which one needs service")
set(CPACK_PACKAGE_DESCRIPTION
"A daemon that polls dissolved-oxygen probes over Modbus, keeps their readings,
diagnoses each probe from ordinary operation and opens a ticket where one
needs service: why, by when, and what to bring. Tickets are served as JSON
over HTTP and to SCADA systems over Modbus.

It is not a life-support or safety alarm, and only reads from devices.")
set(CPACK_PACKAGING_INSTALL_PREFIX /usr)
set(CPACK_STRIP_FILES ON)
set(CPACK_THREADS 1)

execute_process(COMMAND dpkg --print-architecture OUTPUT_VARIABLE architecture OUTPUT_STRIP_TRAILING_WHITESPACE
    ERROR_QUIET)
set(CPACK_DEBIAN_PACKAGE_ARCHITECTURE ${architecture})
set(CPACK_DEBIAN_FILE_NAME DEB-DEFAULT)
set(CPACK_DEBIAN_PACKAGE_SECTION science)
# adduser: the service's own user. init-system-helpers: what an administrator switched off stays off. tzdata: people's
# hours. Libraries are found by dpkg-shlibdeps.
set(CPACK_DEBIAN_PACKAGE_SHLIBDEPS ON)
set(CPACK_DEBIAN_PACKAGE_DEPENDS "adduser, init-system-helpers (>= 1.52), tzdata")
set(CPACK_DEBIAN_PACKAGE_SUGGESTS "bash-completion, python3")
foreach(script conffiles postinst postrm prerm)
    list(APPEND CPACK_DEBIAN_PACKAGE_CONTROL_EXTRA ${PROJECT_SOURCE_DIR}/deploy/package/${script})
endforeach()
set(CPACK_DEBIAN_PACKAGE_CONTROL_STRICT_PERMISSION ON)

set(CPACK_PROBEKEEPER_SOURCE ${PROJECT_SOURCE_DIR})
set(CPACK_PROBEKEEPER_BUILD ${PROJECT_BINARY_DIR})
set(CPACK_PROBEKEEPER_EPOCH ${epoch})
set(CPACK_PRE_BUILD_SCRIPTS ${PROJECT_SOURCE_DIR}/deploy/package/before.cmake)
set(CPACK_POST_BUILD_SCRIPTS ${PROJECT_SOURCE_DIR}/deploy/package/after.cmake)
include(CPack)
